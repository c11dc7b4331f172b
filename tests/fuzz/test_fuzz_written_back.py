"""What is written is read back, and what is larger reads larger."""

import math
from datetime import UTC, datetime
from itertools import pairwise

import msgspec
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from tests.fuzz.filed_parsers import EXAMPLES
from twonode.analysis.marking import letter_code, read_marking, three_digit_code
from twonode.analysis.quantities import format_quantity, parse_quantity
from twonode.analysis.replacement.stock import parse_stock
from twonode.analysis.stage import PartKind
from twonode.analysis.stage.file import parse_stage
from twonode.drivers.profile_format import NumberForm, OriginUnit
from twonode.drivers.scpi_text import parse_error_entry, parse_identity, parse_number
from twonode.drivers.waveform import ten_field_scaling
from twonode.recordings.bag import write_bag_files
from twonode.recordings.errors import UnfitRecord
from twonode.recordings.foreign_csv import ForeignText
from twonode.recordings.import_points import parse_points
from twonode.recordings.index_query import Search, parse_day, parse_value_range
from twonode.recordings.model import decode_header, encode_header
from twonode.recordings.notes import add_note, read_notes

FIXED = settings(derandomize=True, database=None, deadline=None, max_examples=60)
SHORT = settings(FIXED, max_examples=15)

# Text as a file can hold it: no half of a surrogate pair.
words = st.text(st.characters(exclude_categories=["Cs"]), max_size=40)
figures = st.integers(1, 999)
HEADER = decode_header(
    (EXAMPLES / "format-1-sweep" / "data" / "recording.json").read_bytes(), where="example"
)


@FIXED
@given(
    value=st.floats(1e-12, 1e9),
    unit=st.sampled_from(["F", "ohm", "H", "Hz", "V", "s", "A"]),
    digits=st.integers(3, 9),
)
def test_a_printed_quantity_reads_back_within_its_digits(value, unit, digits):
    assume(unit != "F" or value < 1)
    assume(unit in ("ohm", "Hz", "V", "F") or value < 1e3)
    assume(unit != "V" or value < 1e6)
    assume(unit not in ("ohm", "Hz") or value >= 2e-6)
    back = parse_quantity(format_quantity(value, unit, digits), unit)
    assert math.isclose(back, value, rel_tol=0.51 * 10.0 ** (1 - digits))


@FIXED
@given(pair=st.tuples(figures, figures), prefix=st.sampled_from("pnu"))
def test_more_figures_before_one_prefix_are_more_farads(pair, prefix):
    low, high = sorted(pair)
    assert parse_quantity(f"{low}{prefix}", "F") <= parse_quantity(f"{high}{prefix}", "F")
    assert parse_quantity(f"{low}{prefix}5", "F") <= parse_quantity(f"{high}{prefix}5", "F")
    assert parse_quantity(f"{low}{prefix}", "F") < parse_quantity(f"{low}{prefix}5", "F")
    ladder = [parse_quantity(f"{low}{each}", "F") for each in "pnu"]
    assert ladder == sorted(ladder)


@FIXED
@given(number=st.decimals(0, 10**6, allow_nan=False, places=3), prefix=st.sampled_from(["", "k", "M"]))
def test_every_way_to_write_ohms_says_the_same(number, prefix):
    plain = parse_quantity(f"{number}{prefix}ohm", "ohm")
    for text in (
        f"{number} {prefix}Ω",
        f" {number}\N{NO-BREAK SPACE}{prefix}\N{OHM SIGN}",
        f"+{number}{prefix}ohms",
    ):
        assert parse_quantity(text, "ohm") == plain


@FIXED
@given(mantissa=st.integers(10, 99), power=st.integers(-13, -6))
def test_a_code_written_for_a_value_is_read_as_that_value(mantissa, power):
    farad = float(f"{mantissa}e{power}")
    for code in (three_digit_code(farad), letter_code(farad)):
        assert code is not None
        found = [each.reading.capacitance_farad for each in read_marking(code).readings]
        assert any(value is not None and math.isclose(value, farad) for value in found)


@FIXED
@given(value=st.floats(1e-9, 1e9), negative=st.booleans())
def test_a_number_as_it_is_sent_reads_back_as_what_was_said_to_be_sent(value, negative):
    number = -value if negative else value
    form = NumberForm()
    assert math.isclose(parse_number(form.text(number), what="it"), form.rounded(number))


@FIXED
@given(number=st.integers(-999_999, 999_999), text=st.text("abc ,;.:-", max_size=30))
def test_an_error_entry_is_its_number_and_its_text(number, text):
    entry = parse_error_entry(f'{number},"{text}"')
    assert (entry.number, entry.text) == (number, text)


@FIXED
@given(parts=st.lists(st.text("ABC 123-.", min_size=1, max_size=12).map(str.strip), min_size=4, max_size=4))
def test_an_identity_is_its_four_parts(parts):
    found = parse_identity(",".join(parts) + "\n")
    assert [found.maker, found.model, found.serial, found.firmware] == parts


@FIXED
@given(
    points=st.integers(1, 10**7),
    interval=st.floats(1e-10, 10.0),
    increment=st.floats(1e-6, 100.0),
    origin=st.integers(-200, 200),
    reference=st.integers(0, 255),
    code=st.integers(0, 255),
)
def test_a_preamble_scales_as_its_rule_says(points, interval, increment, origin, reference, code):
    line = f"0,2,{points},1,{interval!r},0,0,{increment!r},{origin},{reference}"
    rules = {
        OriginUnit.CODES: (code - reference - origin) * increment,
        OriginUnit.VOLTS: (code - reference) * increment + origin,
    }
    for unit, volts in rules.items():
        scaling = ten_field_scaling(line, unit)
        assert (scaling.points, scaling.sample_interval_s) == (points, interval)
        read = code * scaling.volts_per_code + scaling.volts_at_code_zero
        assert math.isclose(read, volts, rel_tol=1e-9, abs_tol=1e-9 * 512 * increment)


@FIXED
@given(
    title=words,
    tags=st.dictionaries(words, words, max_size=4),
    notes=st.lists(words, max_size=3),
    farad=st.none() | st.floats(allow_nan=False, allow_infinity=False),
    plan=st.recursive(
        st.none()
        | st.booleans()
        | st.integers(-(2**53), 2**53)
        | st.floats(allow_nan=False, allow_infinity=False)
        | words,
        lambda inner: st.lists(inner, max_size=3) | st.dictionaries(words, inner, max_size=3),
        max_leaves=8,
    ),
)
def test_a_header_reads_back_to_the_last_bit(title, tags, notes, farad, plan):
    changes = {
        "title": title,
        "tags": tags,
        "notes": tuple(notes),
        "expected_farad": farad,
        "plan": {"asked": plan},
    }
    header = msgspec.structs.replace(HEADER, **changes)
    assert decode_header(encode_header(header), where="recording.json") == header


@SHORT
@given(text=words, operator=words, reason=words)
def test_a_note_reads_back_as_it_was_added(tmp_path_factory, text, operator, reason):
    folder = tmp_path_factory.mktemp("bag")
    (folder / "data").mkdir()
    write_bag_files(folder, info={})
    when = datetime(2031, 4, 9, 18, 20, 11, tzinfo=UTC)
    try:
        add_note(folder, text, operator=operator, when_utc=when)
    except UnfitRecord:
        assert not text.strip()
        return
    (note,) = read_notes(folder)
    assert (note.text, note.operator, note.when_utc) == (text.strip(), operator, when)


@FIXED
@given(
    rows=st.dictionaries(st.integers(20, 10**6), st.integers(1, 1200), min_size=3, max_size=8), data=st.data()
)
def test_a_table_of_others_reads_the_same_in_every_dialect_and_order(tmp_path_factory, rows, data):
    order = data.draw(st.permutations(list(rows)))
    delimiter, decimal = data.draw(
        st.sampled_from([(",", "."), (";", "."), ("\t", "."), (";", ","), ("\t", ",")])
    )
    lines = [delimiter.join(("f (Hz)", "remark", "ratio"))]
    lines += [
        delimiter.join((f"{hertz}", "", f"{rows[hertz] / 1e4:.4f}".replace(".", decimal))) for hertz in order
    ]
    table = parse_points(ForeignText(path=EXAMPLES / "a.csv", text="\n".join(lines), sha256=""))
    assert [(point.frequency_hz, point.size) for point in table.points] == [
        (float(hertz), float(f"{rows[hertz] / 1e4:.4f}")) for hertz in sorted(rows)
    ]


@FIXED
@given(low=figures, high=figures)
def test_a_range_runs_upwards_or_is_refused(low, high):
    low, high = sorted((low, high))
    found = parse_value_range(f"{low}n..{high}n")
    assert found.unit == "F"
    assert found.low == parse_quantity(f"{low}n", "F") <= parse_quantity(f"{high}n", "F") == found.high


@FIXED
@given(days=st.lists(st.dates(), min_size=2, max_size=2))
def test_days_sort_as_text(days):
    first, last = sorted(days)
    since, until = parse_day(first.isoformat()), parse_day(last.isoformat())
    assert since <= until
    assert Search(since=since, until=until).since == since
    assert parse_day(first.isoformat()[:7]) == first.isoformat()[:7]


@FIXED
@given(parts=st.lists(st.tuples(figures, st.integers(1, 2000), st.integers(0, 99)), min_size=1, max_size=6))
def test_a_list_of_parts_reads_back(parts):
    lines = [
        "shelf,quantity,value,voltage",
        *(f'"a, b",{count},{nano}n,{volts}V' for nano, volts, count in parts),
    ]
    found = parse_stock("\r\n".join(lines), "parts.csv")
    assert [(part.value_farad, part.rated_v, part.quantity) for part in found] == [
        (parse_quantity(f"{nano}n", "F"), float(volts), count) for nano, volts, count in parts
    ]
    assert [part.line for part in found] == list(range(2, len(parts) + 2))


@FIXED
@given(values=st.lists(st.floats(1.0, 1e9), min_size=1, max_size=6))
def test_a_chain_written_as_a_stage_file_has_those_values_in_order(values):
    nodes = ["drive", *(f"n{place}" for place in range(1, len(values))), "ground"]
    text = 'title = "chain"\ndrive = "drive"\nfar = "far"\n'
    text += '[[part]]\nname = "C1"\nkind = "capacitor"\nbetween = ["drive", "far"]\nvalue = "22n"\n'
    for place, (value, ends) in enumerate(zip(values, pairwise(nodes), strict=True)):
        between = msgspec.json.encode(ends).decode()
        text += f'[[part]]\nname = "R{place}"\nkind = "resistor"\nbetween = {between}\nvalue = {value!r}\n'
    parts = [part for part in parse_stage(text).parts if part.kind is PartKind.RESISTOR]
    assert [part.value for part in parts] == values
