"""What people write: values, markings, stage files, charts, limits and lists of parts; parsers with sound samples."""

from __future__ import annotations

import json
import math
from collections.abc import Callable, Iterator
from functools import partial
from importlib import resources

import msgspec

from tests.fuzz.fuzzing import Parser, finite, first_that
from tests.fuzz.mutations import Form
from twonode.analysis.companion import parse_companion
from twonode.analysis.errors import StageError
from twonode.analysis.forming_readings import parse_duration_s, typed_current
from twonode.analysis.leakage_limits import parse_limits
from twonode.analysis.marking import marking_document, parse_meter_reading, read_marking
from twonode.analysis.quantities import (
    format_quantity,
    parse_measured,
    parse_quantity,
    parse_tolerance,
    prefix_of,
)
from twonode.analysis.replacement.rating import parse_secondary, parse_working_voltage
from twonode.analysis.replacement.role import parse_role
from twonode.analysis.replacement.stock import parse_stock
from twonode.analysis.replacement.suitability import dielectric_named
from twonode.analysis.resistor_words import parse_resistor
from twonode.analysis.single_fault import fault_words, parse_fault
from twonode.analysis.stage import (
    Stage,
    shipped_stage,
    shipped_stage_names,
    stage_from_document,
    stage_to_document,
)
from twonode.analysis.stage.file import parse_stage
from twonode.analysis.typed_reading import last_digit_v, meter_of, parse_node_reading, parse_volts
from twonode.analysis.voltage_chart import chart_to_document, parse_chart
from twonode.analysis.voltage_chart import parse_limits as parse_node_limits
from twonode.recordings.jsontext import JSON_ERRORS

_UNITS = ("F", "ohm", "H", "Hz", "V", "s", "A", "%", "")
_STAGE = shipped_stage("wrenfield-46-driver-output")


def _shipped(folder: str) -> Iterator[str]:
    """Shipped texts, without comments, which nothing reads."""
    for each in (resources.files("twonode.analysis") / folder).iterdir():
        if each.name.endswith(".toml"):
            lines = each.read_text(encoding="utf-8").splitlines()
            yield "".join(f"{line}\n" for line in lines if line and not line.startswith("#"))


def _quantity(text: str) -> float:
    """In the first unit that takes it; what was read can be written."""
    unit, value = first_that(
        partial(lambda unit: (unit, parse_quantity(text, unit)), unit) for unit in _UNITS
    )
    format_quantity(value, unit)
    prefix_of(value, unit)
    return float(value)


def _tolerance(text: str) -> object:
    tolerance = parse_tolerance(text)
    str(tolerance)
    return tolerance


def _measured(text: str) -> object:
    return first_that(partial(parse_measured, text, unit) for unit in ("ohm", "F"))


def _companion(text: str) -> object:
    companion = parse_companion(text)
    format_quantity(companion.value, companion.kind.unit)
    return companion


def _volts(text: str) -> tuple[float, float]:
    return parse_volts(text), last_digit_v(text)


def _meter(text: str) -> object:
    """Input resistance, accuracy and counts of the display in three lines."""
    resistance, accuracy, counts = (*text.split("\n"), "", "")[:3]
    return meter_of(
        resistance, accuracy=accuracy, display=int(counts) if counts in ("2000", "4000", "6000") else 1999
    )


def _current(text: str) -> object:
    return typed_current(text, relative=0.01, counts=3)


def _fault(text: str) -> str:
    return fault_words(parse_fault(text, _STAGE), _STAGE)


def _role(text: str) -> object:
    dielectric_named(text)
    return parse_role(text)


def _marking(text: str) -> object:
    """The readings, without a meter's and beside one."""
    read = read_marking(text)
    marking_document(read)
    return read_marking(text, measured=parse_meter_reading("22n ± 2%")).readings


def _stage(text: str) -> Stage:
    stage = parse_stage(text)
    if stage_from_document(stage_to_document(stage)) != stage:
        raise AssertionError("the stage's document is another stage")
    return stage


def _stage_document(content: bytes) -> Stage:
    """From JSON, as a recording holds it."""
    try:
        document = msgspec.json.decode(content)
    except JSON_ERRORS as exc:
        raise StageError(
            "This is no JSON.", "A recording never hands it over.", "Nothing is to be done."
        ) from exc
    return stage_from_document(document)


def _chart(text: str) -> object:
    return chart_to_document(parse_chart(text))


def _limits(text: str) -> object:
    return parse_limits(text, where="leakage.toml")


def _stock(text: str) -> object:
    return parse_stock(text, "parts.csv")


def _is_time(value: float) -> bool:
    return 0 <= value < math.inf


_STOCK = (
    "value,voltage,tolerance,dielectric,quantity\n47n,630V,10%,polypropylene,3\n0.022uF,400V,-20/+80%,X2,\n",
    'Value,Voltage,Shelf,Quantity\n"100 n",250,"top, left",12\n.05 mfd,600 V,,0\n',
)
_MARKINGS = (
    *(
        "473K 400V",
        ".05 mfd 600 WV",
        "104M",
        "4n7 J",
        "2R2",
        "n15",
        "250 mmf +-5%",
        "16uF 450V",
        "220pF N750",
        "0.1/600",
    ),
    *(
        "red red orange",
        "white brown red / red blue red",
        "yellow violet orange white",
        "orange orange brown green",
    ),
)


def _parser(
    name: str, read: Callable[[str], object], *samples: str, sound: Callable[[object], bool] = finite
) -> Parser:
    return Parser(name=name, form=Form.TEXT, samples=samples, read=read, sound=sound)


PARSERS: tuple[Parser, ...] = (
    _parser(
        "quantities",
        _quantity,
        *(
            "22n",
            "4k7",
            "0.022uF",
            "0.05 mfd",
            "250 mmf",
            "1M",
            "20Hz",
            "-1.5V",
            "10%",
            "0R22",
            "2.5mH",
            ".05",
            "1e-9 F",
            "4µ7",
        ),
    ),
    _parser("tolerances", _tolerance, "10%", "±5%", "+-5%", "-20/+100%", "+100% / -20%", "0.1 %"),
    _parser("readings with limits", _measured, "482k ± 0.5%", "482k ± 2k", "482k +- 0.5%", "22.1n +/- 0.2n"),
    _parser("companions", _companion, "100k 0.1%", "10n 1%", "4k7 ±1%", "100 pF, 5%", "1M -1/+2%"),
    _parser("resistors", parse_resistor, "470k", "470k 10%", "470k -5/+20% aged", "482k ± 2k", "10 Mohm ±1%"),
    _parser("volts typed", _volts, "118V", "420mV", "-0.42", "1.2kV", "4V7", "+3"),
    _parser(
        "volts of nodes typed", parse_node_reading, "driver anode=121V", "driver anode 121V", "G2 = -3.5 V"
    ),
    _parser(
        "meters",
        _meter,
        "10M 1%\n0.5% + 3\n4000",
        "11M ± 0.2M\n0.8% 2 counts\n2000",
        "10M\n1% of reading and 2 digits\n6000",
    ),
    _parser("currents typed", _current, "0.6mA", "20uA", "-3 nA", "1m5"),
    _parser("durations", parse_duration_s, "5min", "3h", "90s", "1.5 hours", sound=_is_time),
    _parser("faults", _fault, "C6=open", "C7=leaky:2M", "R9=doubled", "C7=off:15n", "C7 = shorted"),
    _parser(
        "working voltages", parse_working_voltage, "B+ 265V", "265V", "HT 265 V", "265 V DC", "B+ rail: 250V"
    ),
    _parser("transformer secondaries", parse_secondary, "250-0-250V", "250V", "300 - 0 - 290 V ac"),
    _parser("positions", _role, "coupling", "anode bypass", "line-to-chassis", "first filter capacitor"),
    _parser("markings", _marking, *_MARKINGS),
    _parser("meter readings beside markings", parse_meter_reading, "252p", "252p ± 1%", "252p +- 3p"),
    _parser("stage files", _stage, *_shipped("stages")),
    Parser(
        name="stage documents",
        form=Form.WORDS,
        samples=tuple(
            json.dumps(stage_to_document(shipped_stage(name))).encode() for name in shipped_stage_names()
        ),
        read=_stage_document,
        sound=finite,
    ),
    _parser("voltage charts", _chart, *_shipped("charts")),
    _parser("tolerances of charts", parse_node_limits, "10%", "-20/+10%", "0.3V", "±300mV"),
    _parser("leakage limits", _limits, *_shipped("limits")),
    _parser("lists of parts", _stock, *_STOCK),
)
