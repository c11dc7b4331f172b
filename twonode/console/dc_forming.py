"""``twonode dc --rated``: an electrolytic's leakage current after forming against the limit of its rating.

Owns the order of the job; readings are typed. The limit is `analysis.leakage_forming`.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import click

if TYPE_CHECKING:
    from twonode.analysis.forming_readings import ReadCurrent
    from twonode.analysis.leakage import KnownResistor, Meter
    from twonode.analysis.leakage_forming import FormedReadings
    from twonode.analysis.leakage_readings import MeterReading

__all__ = ["Forming", "forming_of", "refuse_forming"]

_TOGETHER = ("rated", "farad", "forming")
_SAID = {"rated": "--rated 450V", "farad": "--value 40u", "forming": "--formed 5min"}


@dataclass(frozen=True, slots=True, kw_only=True)
class Forming:
    """What is known of an electrolytic before its volts are read.

    typed_current : as typed off a milliammeter; None where the volts across a resistor stand for it.
    """

    rated_v: float
    capacitance_farad: float
    forming_s: float
    typed_current: ReadCurrent | None

    def document(self) -> dict[str, Any]:
        """For recording.json."""
        current = self.typed_current
        return {
            "rated_v": self.rated_v,
            "capacitance_farad": self.capacitance_farad,
            "forming_s": self.forming_s,
            "typed_current": None
            if current is None
            else {"ampere": current.ampere, "half_width_a": current.half_width_a},
        }

    def readings(
        self,
        *,
        part: str,
        applied: MeterReading,
        across: MeterReading | None,
        resistor: KnownResistor | None,
        meter: Meter,
    ) -> FormedReadings:
        """Everything together. Raises LeakageError for what cannot be."""
        from twonode.analysis.forming_readings import current_across
        from twonode.analysis.leakage import LeakageError
        from twonode.analysis.leakage_forming import FormedReadings

        current = self.typed_current
        if current is None:
            if resistor is None or across is None:
                raise LeakageError(
                    "The series resistor is missing.",
                    "The current is read off the volts across it.",
                    "Give it with its tolerance, such as --feed '10k 5%'.",
                )
            current = current_across(across, resistor, meter)
        return FormedReadings(
            current_a=current.ampere,
            half_width_a=current.half_width_a,
            capacitance_farad=self.capacitance_farad,
            rated_v=self.rated_v,
            applied_v=applied.volts,
            forming_s=self.forming_s,
            part=part,
        )


def refuse_forming(options: Mapping[str, Any], *, live: bool) -> None:
    """Refuse options of an electrolytic that do not go together. Raises UsageError."""
    given = [name for name in _TOGETHER if options[name] is not None]
    reads = [name for name in ("current", "across") if options[name] is not None]
    if not given and not reads:
        return
    missing = [_SAID[name] for name in _TOGETHER if name not in given]
    if missing:
        raise click.UsageError(f"An electrolytic's current needs {', '.join(missing)} as well")
    if live:
        raise click.UsageError(
            "--rated takes typed readings: --drive across the part, and --current or --across"
        )
    if len(reads) != 1:
        raise click.UsageError("--rated needs either --current 0.6mA or --across 6V with --feed 10k")
    for name in ("far", "far_lifted", "far_valve_out", "lifted", "bias_v", "drive_source", "grid_current"):
        if options[name] is not None:
            raise click.UsageError(
                f"--{name.removesuffix('_v').replace('_', '-')} and --rated exclude each other"
            )
    if options["stage_file"] is not None:
        raise click.UsageError("--stage and --rated exclude each other: only the part itself is judged")
    if options["role"] not in (None, "filter", "electrolytic"):
        raise click.UsageError(
            "--rated is for electrolytics, whose limit goes by value and volts; leave --role out"
        )


def forming_of(options: Mapping[str, Any], meter: Meter) -> Forming | None:
    """What the options say of an electrolytic; None where they say nothing of one.

    Raises QuantityError naming the option.
    """
    from twonode.analysis.forming_readings import parse_duration_s, typed_current
    from twonode.errors import TwonodeError

    if options["rated"] is None:
        return None
    name = "--formed"
    try:
        forming_s = parse_duration_s(options["forming"])
        name = "--current"
        text = options["current"]
        current = None if text is None else typed_current(text, relative=meter.relative, counts=meter.counts)
    except TwonodeError as exc:
        raise type(exc)(f"{name}: {exc.what}", exc.why, exc.do) from exc
    return Forming(
        rated_v=options["rated"],
        capacitance_farad=options["farad"],
        forming_s=forming_s,
        typed_current=current,
    )
