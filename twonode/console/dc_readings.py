"""Where the readings of ``twonode dc`` come from when nobody types them: a voltmeter, or a simulated one.

Owns opening either, and moving the simulated tip. Generator and scope of the simulated bench are served and never
connected to.
"""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Literal, Protocol

import click

from twonode.console.benches import known_profiles
from twonode.console.dc_confirm import acknowledge_dc_cautions, ask_for_tip

if TYPE_CHECKING:
    from twonode.acquire.dccheck import Answer, DcEvent, DcSession, DcStep, ReadingTaken, TipWanted
    from twonode.analysis.stage import Stage
    from twonode.drivers.clock import Clock
    from twonode.drivers.simulated import SimulatedBench
    from twonode.drivers.voltmeter import Voltmeter
    from twonode.recordings import Instrument

__all__ = ["LiveMeter", "MeterHand", "live_meter", "reading_words", "take"]


class MeterHand(Protocol):
    """Somebody who moves the tip, and is told what was read; else that is whoever sits at the keyboard."""

    def place(self, wanted: TipWanted) -> Answer:
        """See to it that the tip is there."""
        ...

    def told(self, event: DcEvent) -> None:
        """A reading was stored, or something should be known."""
        ...


@dataclass(frozen=True, slots=True, kw_only=True)
class LiveMeter:
    """A voltmeter that is connected, and how its tip gets from node to node. hand : as the options named one."""

    voltmeter: Voltmeter
    instrument: Instrument
    clock: Clock
    place: Callable[[TipWanted], Answer]
    hand: MeterHand | None = None


@contextmanager
def live_meter(
    options: Mapping[str, Any], stage: Stage | None, *, part: str | None = None
) -> Iterator[LiveMeter]:
    """The voltmeter that the options name; the cautions are acknowledged before it is connected to.

    options : those of `twonode dc`, and ``hand`` where somebody else than the keyboard is asked (`MeterHand`).
    stage, part : of a simulated set, and the capacitor that is lifted in it.

    Raises SafetyRefusal, BenchError.
    """
    from twonode.drivers.lonemeter import open_voltmeter

    hand: MeterHand | None = options.get("hand")
    if options["simulated"]:
        from twonode.console.simulation import simulated_settings
        from twonode.drivers.simulated import SimulatedBench

        assert stage is not None, "a simulated set has a stage"
        settings = simulated_settings(
            stage,
            seed=options["seed"],
            true=options["true"],
            faults=options["faults"],
            speed=options["speed"],
        )
        with (
            SimulatedBench(settings) as served,
            open_voltmeter(served.voltmeter_resource, visa="python", clock=served.clock) as voltmeter,
        ):
            yield LiveMeter(
                voltmeter=voltmeter,
                instrument=_instrument(voltmeter),
                clock=served.clock,
                place=_simulated_hand(served, part, hand),
                hand=hand,
            )
        return
    acknowledge_dc_cautions(given=options["cautions_acknowledged"])
    visa: Literal["system", "python"] | None = options["visa"]
    with open_voltmeter(
        options["voltmeter"], visa=visa, profile=options["profile"], profiles=known_profiles()
    ) as voltmeter:
        from twonode.drivers.clock import SystemClock

        yield LiveMeter(
            voltmeter=voltmeter,
            instrument=_instrument(voltmeter),
            clock=SystemClock(),
            place=ask_for_tip if hand is None else hand.place,
            hand=hand,
        )


def _instrument(voltmeter: Voltmeter) -> Instrument:
    from twonode.recordings import Instrument, InstrumentRole

    return Instrument(
        role=InstrumentRole.VOLTMETER,
        resource=voltmeter.resource,
        identity=voltmeter.identity,
        profile=voltmeter.profile.name,
    )


def _simulated_hand(
    served: SimulatedBench, part: str | None, hand: MeterHand | None
) -> Callable[[TipWanted], Answer]:
    from twonode.acquire.dccheck import Answer
    from twonode.drivers.simulated import LOOSE_END, MeterTip
    from twonode.recordings import DcState

    def place(wanted: TipWanted) -> Answer:
        answer = Answer.READ if hand is None else hand.place(wanted)
        if answer is not Answer.READ:
            return answer
        state = wanted.step.state
        loose = state is DcState.LOOSE_END
        served.hold_tip(
            MeterTip(
                node=LOOSE_END if loose else wanted.step.node,
                lifted=part if loose or state is DcState.LIFTED else None,
                valve_out=state is DcState.NEXT_VALVE_OUT,
            )
        )
        return Answer.READ

    return place


def take(session: DcSession, live: LiveMeter, steps: Sequence[DcStep], *, quiet: bool) -> None:
    """Take the steps with the voltmeter, saying each reading as it is stored."""
    from twonode.acquire.dccheck import ReadingTaken, run_dc_check

    for event in run_dc_check(session, live.voltmeter, steps, place=live.place):
        if live.hand is not None:
            live.hand.told(event)
        elif not isinstance(event, ReadingTaken):
            print(event.text, file=sys.stderr)
        elif not quiet:
            click.echo(f"  {reading_words(event)}", err=True)


def reading_words(taken: ReadingTaken) -> str:
    """A reading as it was stored: node, state, volts, limits, and how finely it was read."""
    from twonode.analysis.quantities import format_plus_minus, format_quantity
    from twonode.recordings import DcState

    row = taken.row
    state = "" if row.state == DcState.IN_PLACE.value else f" ({row.state})"
    step = "" if row.step_v is None else f", read to {format_quantity(row.step_v, 'V', 1)}"
    return f"{row.node}{state}: {format_plus_minus(row.volts, row.half_width_v, 'V')}{step}"
