"""Markings: the reference examples, every E24 value through both codes and back, and random texts."""

from __future__ import annotations

import random
import time

import rkm_codes

from tests.benchmarks.table import Row
from twonode.analysis.errors import AnalysisError
from twonode.analysis.marking import (
    AbsoluteTolerance,
    MeterReading,
    letter_code,
    marking_document,
    read_marking,
    three_digit_code,
)
from twonode.analysis.quantities import Tolerance

# IEC 60063, E24.
E24 = (10, 11, 12, 13, 15, 16, 18, 20, 22, 24, 27, 30, 33, 36, 39, 43, 47, 51, 56, 62, 68, 75, 82, 91)
# Letters and limits in per cent as published (H in both forms), N, P, Q and T from memory; pF below 10 pF.
PERCENT = {
    "F": [(1, 1)],
    "G": [(2, 2)],
    "H": [(2.5, 2.5), (3, 3)],
    "J": [(5, 5)],
    "K": [(10, 10)],
    "M": [(20, 20)],
    "N": [(30, 30)],
    "P": [(0, 100)],
    "Q": [(10, 30)],
    "S": [(20, 50)],
    "T": [(10, 50)],
    "Z": [(20, 80)],
}
PICOFARAD = {"B": 0.1, "C": 0.25, "D": 0.5}
# From 10 pF up, IEC 60062, from memory.
FINE_PERCENT = {"B": 0.1, "C": 0.25, "D": 0.5}

# Text, farads, tolerance in per cent or None, volts or None. Sources: see the tests of the markings.
EXAMPLES = (
    ("p47", 0.47e-12, None, None),
    ("4p7", 4.7e-12, None, None),
    ("47p", 47e-12, None, None),
    ("n47", 470e-12, None, None),
    ("4n7", 4700e-12, None, None),
    ("47n", 47e-9, None, None),
    ("µ47", 0.47e-6, None, None),
    ("4µ7", 4.7e-6, None, None),
    ("5p6", 5.6e-12, None, None),
    ("10p", 10e-12, None, None),
    ("2n2", 2.2e-9, None, None),
    ("10n", 10e-9, None, None),
    ("101", 100e-12, None, None),
    ("102", 1e-9, None, None),
    ("103", 10e-9, None, None),
    ("104K", 100e-9, 10, None),
    ("105K 330V", 1e-6, 10, 330),
    ("473", 47e-9, None, None),
    ("0.00025 mfd", 250e-12, None, None),
    ("red green black", 25e-12, 20, 500),
    ("white brown red / red blue red", 1200e-12, 6, None),
    ("white brown red / red blue red", 1200e-12, 2, None),
    ("black green brown / red yellow black", 51e-12, 4, 500),
)
# Code, class 1 slope and spread in ppm/°C.
CLASS_1 = (("C0G", 0, 30), ("U2J", -750, 120), ("P3K", -1500, 250), ("S2H", -330, 60), ("M7G", 100, 30))
CLASS_1_PLAIN = (("N750", -750), ("N330", -330), ("P100", 100))
# Code, range in °C, change as fractions.
CLASS_2 = (("X7R", (-55, 125), (0.15, 0.15)), ("Z5U", (10, 85), (0.56, 0.22)))


def _close(a: float | None, b: float) -> bool:
    return a is not None and abs(a / b - 1) < 1e-12


def example_is_read(text, farad, percent, volts) -> bool:
    """Whether one of the readings is what the reference says."""
    for each in read_marking(text).readings:
        reading = each.reading
        if not _close(reading.capacitance_farad, farad):
            continue
        tolerance = None if reading.tolerance is None else reading.tolerance.limits
        wanted = None if percent is None else Tolerance(minus=percent / 100, plus=percent / 100)
        if tolerance == wanted and (None if reading.voltage is None else reading.voltage.volts) == volts:
            return True
    return False


def _temperature(code):
    return read_marking(f"220p {code}").readings[0].reading.temperature


def examples() -> tuple[int, int]:
    """Examples read as stated, of how many."""
    right = [example_is_read(*each) for each in EXAMPLES]
    right += [
        (_temperature(code).slope_ppm, _temperature(code).spread_ppm) == (ppm, (spread, spread))
        for code, ppm, spread in CLASS_1
    ]
    right += [_temperature(code).slope_ppm == ppm for code, ppm in CLASS_1_PLAIN]
    right += [
        (_temperature(code).range_c, _temperature(code).change) == (celsius, change)
        for code, celsius, change in CLASS_2
    ]
    return sum(right), len(right)


def wanted_limits(letter: str, farad: float):
    """What a letter has to mean at a value, by the tables above."""
    if letter in PICOFARAD:
        if farad < 10e-12:
            return [AbsoluteTolerance(half_width_farad=float(f"{PICOFARAD[letter]}e-12"))]
        fraction = float(f"{FINE_PERCENT[letter]}e-2")
        return [Tolerance(minus=fraction, plus=fraction)]
    return [Tolerance(minus=minus / 100, plus=plus / 100) for minus, plus in PERCENT[letter]]


def round_trips(e24) -> tuple[int, int]:
    """Codes of value, multiplier and letter that come back, of how many."""
    good = count = 0
    for figures in e24:
        for power in range(-2, 8):
            farad = float(f"{figures}e{power - 12}")
            for code in (three_digit_code(farad), letter_code(farad)):
                for letter in (*PERCENT, *PICOFARAD):
                    count += 1
                    found = [
                        (each.reading.capacitance_farad, each.reading.tolerance.limits)
                        for each in read_marking(f"{code}{letter}").readings
                        if each.reading.tolerance is not None
                    ]
                    good += all((farad, limits) in found for limits in wanted_limits(letter, farad))
    return good, count


def against_rkm_codes() -> tuple[int, int]:
    """Letter codes that read as rkm_codes reads them, of how many."""
    codes = [letter_code(float(f"{figures}e{power - 12}")) for figures in E24 for power in range(-2, 8)]
    same = [
        _close(read_marking(code).readings[0].reading.capacitance_farad, float(rkm_codes.from_rkm(code)))
        for code in codes
    ]
    return sum(same), len(codes)


_CHARACTERS = "0123456789" * 3 + "pnuµmRKJMFCDGHNPQSTZXYVABkfdwc.,%+-±/~° "
_SOME_WORDS = (
    "473K 4n7 100 .05 mfd mmf 400V V DC AC X2 Y1 K5 2A X7R N750 % ± -20 +80% C ACME 10,000 4R7 10K 85°C red b"
)
_SOME_COLOURS = "red green blue brown b g gr / none gold silver black white grey yelow"


def random_text(rng: random.Random) -> str:
    """A text of one of four sorts: any characters, the characters of markings, their words, colours."""
    sort = rng.randrange(4)
    if sort == 0:
        return "".join(
            chr(rng.choice((rng.randrange(0x250), rng.randrange(0xD800)))) for _ in range(rng.randrange(30))
        )
    if sort == 1:
        return "".join(rng.choices(_CHARACTERS, k=rng.randrange(20)))
    if sort == 2:
        return " ".join(rng.choices(_SOME_WORDS.split(), k=rng.choice((1, 2, 3, 4, 10))))
    return " ".join(rng.choices(_SOME_COLOURS.split(), k=rng.choice((2, 3, 5, 6, 7))))


def random_texts(count: int) -> tuple[int, int, float]:
    """Texts that raised anything but our own error, texts that were read, and the slowest in seconds."""
    rng = random.Random(60062)
    foreign = read = 0
    slowest_s = 0.0
    for _ in range(count):
        text = random_text(rng)
        started_s = time.perf_counter()
        try:
            marking_document(read_marking(text, measured=MeterReading(farad=1e-9, half_width_farad=1e-11)))
            read += 1
        except AnalysisError:
            pass
        except Exception as exc:  # noqa: BLE001 - counted: that is what this looks for
            foreign += 1
            print(f"{text!r}: {exc!r}")
        slowest_s = max(slowest_s, time.perf_counter() - started_s)
    return foreign, read, slowest_s


def run(*, quick: bool = False) -> list[Row]:
    """Rows of examples, round trips, the comparison with rkm_codes, and random texts."""
    count = 1000 if quick else 10_000
    rows = []
    for figure, (good, of) in (
        ("reference examples read as stated", examples()),
        (
            "E24 x multiplier x tolerance letter, both codes, come back",
            round_trips(E24[::6] if quick else E24),
        ),
        ("letter codes as rkm_codes reads them", against_rkm_codes()),
    ):
        rows.append(Row(figure=figure, target="all", measured=f"{good} of {of}", met=good == of))
    foreign, read, slowest_s = random_texts(count)
    rows += [
        Row(
            figure=f"{count} random texts that raise anything but our own error",
            target="0",
            measured=f"{foreign} ({read} were read)",
            met=foreign == 0,
        ),
        Row(
            figure="slowest of them",
            target="<= 0.1 s",
            measured=f"{slowest_s:.4f} s",
            met=slowest_s <= 0.1,
        ),
    ]
    return rows
