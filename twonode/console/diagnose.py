"""``twonode diagnose``: which part of a stage has which fault, and what to measure next.

Owns the command's options, reading meter readings as typed, and what is printed. Works nothing out itself.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from twonode.console.options import Pair, Quantity, common_options

if TYPE_CHECKING:
    from twonode.acquire.rediagnose import Swept
    from twonode.analysis.dc_reading import DcReading
    from twonode.analysis.next_measurement import Proposal
    from twonode.analysis.stage import Stage

__all__ = ["diagnose"]

_OVER_RANGE = {"ol", "o.l", "o.l."}


@click.command(
    epilog="Faults weighed: open, shorted, leaky, off value and lossy of every capacitor; open, shorted and off value "
    "of every resistor. How often each is expected beforehand goes by dielectric: paper 2, 1, 8, 4 and 4 %; "
    "electrolytic 3, 1, 4, 8 and 8 %; mica 0.5, 0.5, 0.5, 1 and 0.2 %; ceramic 1, 0.5, 0.5, 2 and 0.5 %; film 0.5, "
    "0.5, 1, 1 and 0.5 %; resistors 1, 0.1 and 4 % (common practice, no source). JSON: ranking (explanation, faults, "
    "probability, prior, figures in SI units with interval95), group, unseen, electrolytics (capacitance, tan_delta, "
    "esr), next (words, options, expected_true_probability, settles_probability), rates, cautions; numbers, null "
    "where not known. Exit status: 0 done, 2 wrong usage or bad file, 4 a recording is damaged."
)
@click.argument("recordings", nargs=-1, type=click.Path(path_type=Path), metavar="RECORDING...")
@click.option(
    "--dc",
    "dc",
    type=Pair("node=volts", 'it like --dc "output grid=0.42V"'),
    multiple=True,
    metavar="NODE=VOLTS",
    help='DC volts read from a node to ground, such as "output grid=0.42V" or "output grid=0.42V ± 1%"; may be '
    "repeated.  [limits: 0.5 % and 3 mV]",
)
@click.option(
    "--ohms",
    type=Pair("part=ohms", "it like --ohms R12=482k"),
    multiple=True,
    metavar="PART=OHMS",
    help="Ohms read across a part with one end lifted, such as R12=482k, or C7=OL for over range; may be repeated.  "
    "[limits: 0.5 %]",
)
@click.option(
    "--meter",
    "meter_ohm",
    type=Quantity("ohm"),
    default="10M",
    show_default=True,
    help="Input resistance of the voltmeter.",
)
@click.option(
    "--before",
    type=click.Path(path_type=Path),
    metavar="STAGE",
    help="Before any sweep: say where to clip on in this stage, for the part named by --suspect.",
)
@click.option(
    "--suspect", metavar="PART[=FAULT]", help="With --before: the part in question, such as C6 or C6=open."
)
@click.option(
    "--nulls/--no-nulls", default=True, help="Use the null runs that the sweeps name.  [default: use them]"
)
@common_options
def diagnose(
    recordings: tuple[Path, ...],
    dc: tuple[tuple[str, str], ...],
    ohms: tuple[tuple[str, str], ...],
    meter_ohm: float,
    before: Path | None,
    suspect: str | None,
    nulls: bool,
    as_json: bool,
    debug: bool,
) -> int:
    """Weigh every fault of every part of a stage, and say which measurement would settle the rest.

    The recordings are sweeps of one stage; what was clipped on and where may differ between them, and a part that was
    lifted and swept alone counts too. Faults that the readings cannot tell apart are named as a group.

    \b
    Examples:
      twonode diagnose RECORDING
      twonode diagnose RECORDING RECORDING2 --ohms R12=482k
      twonode diagnose RECORDING --dc "output grid=0.42V" --meter 10M
      twonode diagnose --before wrenfield-46-driver-output --suspect C6

    SAFETY: sweeps and ohms only with the set unplugged and discharged. DC volts are read on a live set, which can
    kill: meter work only, by who may do it; never clip a scope or a generator to it.
    """
    del debug  # read from the command line before anything else can fail
    if before is not None:
        if recordings or dc or ohms:
            raise click.UsageError(
                "--before goes without recordings and readings: it is about the first sweep"
            )
        if suspect is None:
            raise click.UsageError("--before needs --suspect, the part in question, such as --suspect C6")
        return _before(before, suspect, as_json=as_json)
    if suspect is not None:
        raise click.UsageError("--suspect needs --before STAGE; a diagnosis weighs every part")
    if not recordings:
        raise click.UsageError("RECORDING is missing: give at least one sweep of a stage")
    return _diagnose(recordings, dc, ohms, meter_ohm, use_nulls=nulls, as_json=as_json)


def _diagnose(
    paths: tuple[Path, ...],
    dc: tuple[tuple[str, str], ...],
    ohms: tuple[tuple[str, str], ...],
    meter_ohm: float,
    *,
    use_nulls: bool,
    as_json: bool,
) -> int:
    from twonode.acquire.rediagnose import swept_stage
    from twonode.analysis.diagnose import diagnose as weigh
    from twonode.analysis.diagnosis_report import diagnosis_document, diagnosis_lines, is_settled, rates_words
    from twonode.analysis.measurement_action import MeasurementKind
    from twonode.analysis.next_measurement import propose_next
    from twonode.cautions import DC_CAUTIONS, SWEEP_CAUTIONS

    swept = swept_stage(paths, use_nulls=use_nulls)
    line_hz = next((row.line_hz for row in swept.recordings[0].points if row.line_hz), 50.0)
    for note in swept.notes:
        click.echo(note, err=True)
    readings = [*swept.readings, *_volts(swept.stage, dc, meter_ohm), *_ohms(swept.stage, ohms)]
    found = weigh(swept.sweeps, swept.stage, readings=readings)
    proposals = propose_next(found, swept.sweeps)
    shown = () if is_settled(found) else proposals[:3]
    live = bool(dc) or any(p.kind is MeasurementKind.DC for p in shown)
    cautions = DC_CAUTIONS if live else SWEEP_CAUTIONS if _sweeps_again(shown) else ()
    if as_json:
        document = diagnosis_document(
            found,
            shown,
            recordings=[str(r.folder) for r in swept.recordings],
            conditions=_conditions(swept, dc, ohms, meter_ohm),
            line_hz=line_hz,
        )
        document["cautions"] = list(cautions)
        print(json.dumps(document, allow_nan=False))
        return 0
    click.echo(swept.stage.title)
    first, *others = diagnosis_lines(
        found, shown, conditions=_conditions_words(swept, dc, ohms), line_hz=line_hz
    )
    click.secho(first, bold=True)
    for text in others:
        click.echo(text)
    click.echo(f"  Expected beforehand (common practice, no source): {rates_words(swept.stage)}.")
    for caution in cautions:
        click.echo(f"  ! {caution}")
    return 0


def _sweeps_again(proposals: tuple[Proposal, ...]) -> bool:
    return any(p.candidate.options for p in proposals)


def _volts(stage: Stage, given: tuple[tuple[str, str], ...], meter_ohm: float) -> list[DcReading]:
    from twonode.analysis.errors import QuantityError
    from twonode.analysis.meter_reading import dc_reading
    from twonode.analysis.quantities import parse_measured, parse_quantity

    found = []
    for node, text in given:
        value = text.partition("±")[0].partition("+-")[0].strip()
        if not value.lower().endswith("v"):
            raise QuantityError(
                f"--dc {node}={text}: the unit V is missing.",
                "A bare number could be volts or millivolts, and a leak is worked out from it.",
                f'Write it like --dc "{node}=0.42V", or 420mV.',
            )
        with _naming(f"--dc {node}={text}"):
            if value == text:
                found.append(dc_reading(stage, node, parse_quantity(text, "V"), meter_ohm=meter_ohm))
            else:
                read = parse_measured(text, "V")
                found.append(
                    dc_reading(stage, node, read.value, half_width_v=read.half_width, meter_ohm=meter_ohm)
                )
    return found


def _ohms(stage: Stage, given: tuple[tuple[str, str], ...]) -> list[DcReading]:
    from math import inf

    from twonode.analysis.meter_reading import ohm_reading
    from twonode.analysis.quantities import parse_measured, parse_quantity

    found = []
    for name, text in given:
        with _naming(f"--ohms {name}={text}"):
            part = stage.part(name)
            if text.lower() in _OVER_RANGE:
                found.append(ohm_reading(part, inf))
            elif "±" in text or "+-" in text:
                read = parse_measured(text, "ohm")
                found.append(ohm_reading(part, read.value, half_width_ohm=read.half_width))
            else:
                found.append(ohm_reading(part, parse_quantity(text, "ohm")))
    return found


@contextmanager
def _naming(option: str) -> Iterator[None]:
    """Errors of a reading with the option in front of their first sentence."""
    from twonode.errors import TwonodeError

    try:
        yield
    except TwonodeError as exc:
        raise type(exc)(f"{option}: {exc.what}", exc.why, exc.do) from exc


def _conditions(
    swept: Swept, dc: tuple[tuple[str, str], ...], ohms: tuple[tuple[str, str], ...], meter_ohm: float
) -> dict[str, Any]:
    from twonode.console.filing import circumstances_of

    circumstances = circumstances_of(swept.recordings, swept.nulls)
    return {
        "sweeps": len(swept.recordings),
        "level_vpp": circumstances.level_vpp,
        "bias_v": circumstances.bias_v,
        "null": circumstances.null,
        "simulated": circumstances.simulated,
        "imported": circumstances.imported,
        "dc": [{"node": node, "reading": text} for node, text in dc],
        "ohms": [{"part": part, "reading": text} for part, text in ohms],
        "meter_ohm": meter_ohm,
    }


def _conditions_words(
    swept: Swept, dc: tuple[tuple[str, str], ...], ohms: tuple[tuple[str, str], ...]
) -> str:
    from twonode.analysis.report import conditions_words
    from twonode.console.filing import circumstances_of

    words = conditions_words(circumstances_of(swept.recordings, swept.nulls))
    read = [f"{node} {text} DC" for node, text in dc] + [f"{part} {text} ohms" for part, text in ohms]
    if read:
        words = f"{words.removesuffix('.')}; read: {', '.join(read)}."
    if dc:
        words += " DC volts are worked out without valve currents."
    return words


def _before(named: Path, suspect: str, *, as_json: bool) -> int:
    from twonode.analysis.clips import propose_clips
    from twonode.analysis.clips_report import clips_document, clips_lines
    from twonode.cautions import SWEEP_CAUTIONS
    from twonode.console.explain import stage_named

    stage = stage_named(str(named))
    name, _, fault = (piece.strip() for piece in suspect.partition("="))
    found = propose_clips(stage, name, fault=fault or None)
    if as_json:
        document = clips_document(stage, name, found)
        document["cautions"] = list(SWEEP_CAUTIONS)
        print(json.dumps(document, allow_nan=False))
        return 0
    click.echo(stage.title)
    first, *others = clips_lines(stage, name, found)
    click.secho(first, bold=True)
    for text in others:
        click.echo(text)
    for caution in SWEEP_CAUTIONS:
        click.echo(f"  ! {caution}")
    return 0
