"""Inputs that go wrong: sound samples with pieces changed, lost, doubled and exchanged; pure noise; and hostile text.

Owns the ways in which an input is spoilt. All chance comes from the generator handed in, so a number names an input.
Bytes are spoilt as text of one character a byte, by the same ways.
"""

from __future__ import annotations

import random
import re
from collections.abc import Iterator, Sequence
from enum import Enum

__all__ = ["HUGE_SHARE", "Form", "inputs", "spoilt"]


class Form(Enum):
    """What a parser is given."""

    TEXT = "text"
    WORDS = "bytes that are words"
    BINARY = "bytes"


HUGE_SHARE = 2000
"""One input in so many holds a very long piece."""

_TOKEN = re.compile(r"[0-9]+|[^\W\d_]+|\s+|.", re.DOTALL)
_NOISE_SHARE = 0.08
_LONGEST_NOISE = 60

# Numbers that are none or beyond all use, digits that are not ASCII, line ends, marks of every grammar read here.
_HOSTILE = (
    *(
        "",
        "0",
        "-1",
        "1e400",
        "-1e400",
        "1e-400",
        "nan",
        "inf",
        "-inf",
        "9.9E37",
        "9.91E37",
        "9" * 30,
        "1" + "0" * 400,
    ),
    *(
        "-0.0",
        "+",
        "-",
        ".",
        "1.",
        ".5",
        "1_0",
        "0x1F",
        "1e",
        "e9",
        "1e999999999",
        "99999999999999999999",
        "4k7",
        "1,5",
    ),
    *(
        "\u00b2",
        "\u0663",
        "\u00bd",
        "\U0001d7d9",
        "\u00b5",
        "\u03bc",
        "\u2126",
        "\u00b1",
        "\u0130",
        "\u00df",
        "\ufb01",
    ),
    *(
        "\0",
        "\x1a",
        "\x1b[31m",
        "\x7f",
        "\x85",
        "\u2028",
        "\u202e",
        "\u2067",
        "\ufeff",
        "\ud800",
        "\udcff",
        "\U0001f680",
    ),
    *(
        "\n",
        "\r",
        "\r\n",
        "\t",
        " ",
        "  ",
        '"',
        "'",
        '""',
        '"""',
        "'''",
        "\\",
        "\\u0000",
        "\\ud800",
        "\\",
        "%s",
        "{0}",
    ),
    *(
        "#",
        "#0",
        "#19",
        "#9999999999",
        ";",
        ",",
        ",,",
        "=",
        ":",
        "/",
        "..",
        "../",
        "[",
        "]",
        "[[",
        "]]",
        "{",
        "}",
        "()",
    ),
    *(
        "true",
        "false",
        "null",
        "[]",
        "{}",
        "[[[[[[",
        "a.b.c.d",
        "2031-04-09",
        "2031-13-40T99:99:99Z",
        "0001-01-01T00:00:00Z",
    ),
    *(
        "%",
        "\u00b1",
        "+-",
        "V",
        "F",
        "ohm",
        "Hz",
        "uF",
        "mfd",
        "k",
        "M",
        "m",
        "dB",
        "deg",
        "WAVEDESC",
        "-20/+100%",
    ),
)
_HOSTILE_BYTES = (
    *(
        "\xff" * 4,
        "\0" * 4,
        "\x7f\xff\xff\xff",
        "\x80\0\0\0",
        "\xff\xff\xff\x7f",
        "\0\0\0\x80",
        "\xff\xff",
        "\0",
        "\n",
    ),
    *(
        "\x7f\xc0\0\0",
        "\0\0\xc0\x7f",
        "\x7f\x80\0\0",
        "\0\0\x80\x7f",
        "\0\0\0\0\0\0\xf8\x7f",
        "\0\0\0\0\0\0\xf0\x7f",
    ),
    *(
        "\x01\0\0\0",
        "\0\0\0\x01",
        "PK\x03\x04",
        "PK\x05\x06",
        "\x93NUMPY",
        "#10",
        "#9",
        "#0",
        "\xc3(",
        "\xed\xa0\x80",
    ),
)


def _huge(chance: random.Random) -> str:
    """Long for its kind: what makes a number, a nesting, a name or a gap without end."""
    count = chance.choice((300, 5_000, 5_000, 70_000, 70_000, 1_000_000))
    piece = chance.choice(
        ("9", "1", "[", "{", "(", " ", "\t", "\n", "a", "a.", "1,", "1;", '"', "'", "\\", "=", "#", "-")
    )
    several = (
        "[[a]]\n",
        '{"a":',
        "a=[",
        "+1%",
        "1/",
        "0 ",
        "k7",
        "\u00b1",
        "red ",
        "../",
        "\ud800",
        "e9",
        "1e",
        "..",
        "%",
    )
    if chance.random() < 0.4:
        piece = chance.choice(several)
    return (piece * (count // len(piece) + 1))[:count]


def spoilt(chance: random.Random, tokens: Sequence[Sequence[str]], *, binary: bool) -> str:
    """One input. tokens : of each sample."""
    if chance.random() < _NOISE_SHARE:
        return _noise(chance, binary=binary)
    own = list(chance.choice(tokens))
    for _ in range(1 + int(chance.expovariate(0.9))):
        _change(chance, own, tokens, binary=binary)
    text = "".join(own)
    if chance.random() < 1 / HUGE_SHARE:
        place = chance.randrange(len(text) + 1)
        text = text[:place] + _huge(chance) + text[place:]
    return text


def _noise(chance: random.Random, *, binary: bool) -> str:
    length = chance.randrange(_LONGEST_NOISE)
    if binary:
        return chance.randbytes(length).decode("latin-1")
    highest = chance.choice((0x7F, 0x17F, 0x2FFF, 0xFFFF, 0x10FFFF))
    return "".join(chr(chance.randrange(highest + 1)) for _ in range(length))


def _hostile(chance: random.Random, *, binary: bool) -> str:
    if not binary:
        return chance.choice(_HOSTILE)
    if chance.random() < 0.5:
        return chance.choice(_HOSTILE_BYTES)
    return chance.choice(_HOSTILE).encode("utf-8", "surrogatepass").decode("latin-1")


def _change(
    chance: random.Random, own: list[str], all_tokens: Sequence[Sequence[str]], *, binary: bool
) -> None:
    """One change in place; some leave the grammar whole, so that what stands behind it is reached."""
    if not own:
        own.append(_hostile(chance, binary=binary))
        return
    size = len(own)
    at = chance.randrange(size)
    match chance.randrange(11):
        case 0:  # another token of any sample in its place
            own[at] = chance.choice(chance.choice(all_tokens) or [""])
        case 1:
            own[at] = _hostile(chance, binary=binary)
        case 2:
            own.insert(at, _hostile(chance, binary=binary))
        case 3:
            del own[at : at + 1 + int(chance.expovariate(0.3))]
        case 4:
            piece = own[at : at + 1 + int(chance.expovariate(0.15))]
            own[at:at] = piece * chance.choice((1, 1, 1, 2, 20))
        case 5:
            other = chance.randrange(size)
            own[at], own[other] = own[other], own[at]
        case 6:  # the rest of another sample
            other_tokens = chance.choice(all_tokens)
            own[at:] = other_tokens[chance.randrange(len(other_tokens) + 1) :]
        case 7:
            del own[at:]
        case 8:  # a number by another one
            digits = [place for place in range(at, min(at + 30, size)) if own[place].isdigit()]
            if digits:
                own[digits[0]] = chance.choice(
                    ("0", "1", "7", "10", "255", "256", "65536", str(chance.getrandbits(70)))
                )
        case 9:  # one character
            token = own[at]
            if token:
                place = chance.randrange(len(token))
                code = ord(token[place]) ^ (1 << chance.randrange(8))
                own[at] = token[:place] + chr(code) + token[place + 1 :]
        case _:  # as long as before, which fields at fixed places need
            text = _hostile(chance, binary=binary)
            stretch = "".join(own[at : at + len(text)])
            own[at : at + len(text)] = (
                [text + stretch[len(text) :]] if len(stretch) > len(text) else [text[: len(stretch)]]
            )


def inputs(seed: str, samples: Sequence[str], form: Form, count: int) -> Iterator[str]:
    """So many spoilt inputs. samples : sound ones; of bytes, one character a byte."""
    chance = random.Random(seed)
    tokens = [list(sample) if form is Form.BINARY else _TOKEN.findall(sample) for sample in samples]
    for _ in range(count):
        yield spoilt(chance, tokens, binary=form is not Form.TEXT)
