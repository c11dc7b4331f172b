"""What the options of ``twonode dc`` mean together: refusals, the meter, the header of the recording.

Owns reading them; takes no reading itself.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

import click

from twonode.console.benches import unique_tags
from twonode.console.dc_forming import refuse_forming

if TYPE_CHECKING:
    from twonode.analysis.leakage_readings import Meter
    from twonode.recordings import DcConditions, Instrument

__all__ = ["conditions_of", "meter_of_options", "refuse_mixtures", "tags_of"]

_LEAK_ONLY = (
    *("drive", "far", "far_lifted", "far_valve_out", "lifted", "grid_leak", "drive_source", "bias_v"),
    *(
        "role",
        "part",
        "grid_current",
        "limits_file",
        "rated",
        "farad",
        "forming",
        "also",
        "current",
        "across",
    ),
)
_TYPED = ("drive", "far", "far_lifted", "far_valve_out", "lifted", "current", "across")
_SIMULATION_ONLY = ("true", "faults")
_NAMES = {
    "grid_leak": "grid-leak",
    "bias_v": "bias",
    "limits_file": "limits",
    "farad": "value",
    "forming": "formed",
    "faults": "fault",
    "readings": "read",
}


def _option(name: str) -> str:
    return "--" + _NAMES.get(name, name).replace("_", "-")


def refuse_mixtures(options: Mapping[str, Any]) -> None:
    """Refuse options that do not go together. Raises UsageError."""
    live = options["voltmeter"] is not None or options["simulated"]
    if options["voltmeter"] is not None and options["simulated"]:
        raise click.UsageError("--voltmeter and --simulated exclude each other")
    for name in _SIMULATION_ONLY:
        if options[name] and not options["simulated"]:
            raise click.UsageError(f"{_option(name)} needs --simulated: a real part is what it is")
    if options["profile"] and options["voltmeter"] is None:
        raise click.UsageError("--profile needs --voltmeter")
    line_v = options["line_v"]
    if line_v is not None and not line_v > 0:
        raise click.UsageError(f"--line {line_v:g} V is no mains: give volts rms as read, such as 123V")
    if options["chart_file"] is not None:
        for name in _LEAK_ONLY:
            if options[name] not in (None, ()):
                raise click.UsageError(
                    f"{_option(name)} and --chart exclude each other: a chart is of a whole set"
                )
        if options["readings"] and live:
            raise click.UsageError("--read is for typed readings; the voltmeter reads every node itself")
        return
    if options["readings"]:
        raise click.UsageError("--read needs --chart; for one capacitor give --drive and --far")
    refuse_forming(options, live=live)
    if live:
        for name in _TYPED:
            if options[name] is not None:
                raise click.UsageError(f"{_option(name)} is typed; the voltmeter takes the readings itself")
    elif options["also"]:
        raise click.UsageError(
            "--also needs a voltmeter; type the reading itself, such as --far-lifted 0.40V"
        )
    elif options["drive"] is None:
        raise click.UsageError(
            "--drive is missing: give the drive node's volts as the meter showed them, or --voltmeter, or --simulated"
        )


def meter_of_options(options: Mapping[str, Any]) -> Meter:
    """The meter. Raises QuantityError, LeakageError naming the option."""
    from twonode.analysis.typed_reading import accuracy_of, meter_of
    from twonode.errors import TwonodeError

    text, accuracy = options["meter"], options["meter_accuracy"]
    try:
        accuracy_of(accuracy)
    except TwonodeError as exc:
        raise type(exc)(f"--meter-accuracy: {exc.what}", exc.why, exc.do) from exc
    try:
        return meter_of(text, accuracy=accuracy, display=options["display"])
    except TwonodeError as exc:
        raise type(exc)(f"--meter: {exc.what}", exc.why, exc.do) from exc


def tags_of(options: Mapping[str, Any]) -> dict[str, str]:
    """The tags by key. Raises UsageError for a key that is given twice."""
    return unique_tags(options["tags"])


def conditions_of(options: Mapping[str, Any], instruments: tuple[Instrument, ...] = ()) -> DcConditions:
    """The conditions as they are filed."""
    from twonode.recordings import DcConditions

    simulated = options["simulated"] or any(each.is_simulated for each in instruments)
    return DcConditions(
        live=not simulated,
        line_volts=options["line_v"],
        minutes_on=options["minutes_on"],
        simulated=simulated,
        seed=options["seed"] if options["simulated"] else None,
    )
