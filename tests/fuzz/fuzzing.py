"""What a parser may do with an input that goes wrong, and running one over many inputs.

Owns `Parser` and the verdict. A parser returns something sound or raises an error of ours, shortly, within the time.
"""

from __future__ import annotations

import math
import signal
import threading
import time
from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, fields, is_dataclass
from typing import Any

import msgspec

from tests.fuzz.mutations import Form, inputs
from twonode.errors import TwonodeError

__all__ = [
    "LONGEST_MESSAGE",
    "SLOWEST_S",
    "Outcome",
    "Parser",
    "Trouble",
    "every",
    "finite",
    "first_that",
    "fuzz",
    "judged",
    "tried",
]

SLOWEST_S = 1.0
LONGEST_MESSAGE = 10_000
"""Characters of an error: what is quoted of an input has to be bounded."""
_GIVE_UP_S = 20.0
_AGAIN_S = 0.3


@dataclass(frozen=True, kw_only=True)
class Parser:
    """A parser with sound samples.

    read : given a str (Form.TEXT) or bytes. own : what it may raise.
    sound : what has to hold of everything it returns.
    """

    name: str
    form: Form
    samples: tuple[str | bytes, ...]
    read: Callable[[Any], object]
    own: tuple[type[Exception], ...] = (TwonodeError,)
    sound: Callable[[Any], bool] = lambda _: True

    def given(self, text: str) -> str | bytes:
        """An input as the parser takes it."""
        return text if self.form is Form.TEXT else text.encode("latin-1", "replace")

    @property
    def plain_samples(self) -> tuple[str, ...]:
        """The samples as `mutations` takes them."""
        return tuple(each if isinstance(each, str) else each.decode("latin-1") for each in self.samples)


@dataclass(frozen=True, kw_only=True)
class Trouble:
    """An input that a parser did not stand."""

    parser: str
    because: str
    given: str | bytes

    def __str__(self) -> str:
        shown = repr(self.given)
        return f"{self.parser}: {self.because}: {shown if len(shown) < 300 else shown[:300] + '...'}"


@dataclass(kw_only=True)
class Outcome:
    """Of many inputs: how many were refused, the slowest, and the first troubles."""

    count: int = 0
    refused: int = 0
    slowest_s: float = 0.0
    troubles: int = 0
    first: tuple[Trouble, ...] = ()


class _TooSlow(BaseException):
    """Not an Exception, so that no parser takes it for its own."""


@contextmanager
def _given_up_after(seconds: float) -> Iterator[None]:
    """Raise _TooSlow inside the block after so many seconds, where the system can."""

    def raise_it(*_: object) -> None:
        raise _TooSlow

    if not hasattr(signal, "SIGALRM") or threading.current_thread() is not threading.main_thread():
        yield
        return
    before = signal.signal(signal.SIGALRM, raise_it)
    signal.setitimer(signal.ITIMER_REAL, seconds)
    try:
        yield
    finally:
        signal.setitimer(signal.ITIMER_REAL, 0)
        signal.signal(signal.SIGALRM, before)


def judged(parser: Parser, given: str | bytes) -> tuple[str | None, bool]:
    """Why a parser did not stand an input, else None; and whether it refused it."""
    try:
        result = parser.read(given)
    except parser.own as exc:
        if len(str(exc)) > LONGEST_MESSAGE:
            return f"its error has {len(str(exc))} characters", True
        return None, True
    except _TooSlow:
        return f"not done after {_GIVE_UP_S:g} s", False
    except Exception as exc:  # noqa: BLE001 - whatever it is, it is what is looked for
        return f"{type(exc).__name__}: {str(exc)[:120]}", False
    return (None if parser.sound(result) else f"it returns {str(result)[:120]}"), False


def _timed(parser: Parser, given: str | bytes) -> tuple[str | None, bool, float]:
    started_s = time.perf_counter()
    with _given_up_after(_GIVE_UP_S):
        because, refused = judged(parser, given)
    return because, refused, time.perf_counter() - started_s


def tried(parser: Parser, given: str | bytes) -> tuple[str | None, bool, float]:
    """Why a parser did not stand an input, else None; whether it refused it; and how long it took, s."""
    because, refused, spent_s = _timed(parser, given)
    if _AGAIN_S < spent_s < _GIVE_UP_S:
        # Another program may have had the processor: the quicker of two tries is the parser's own time.
        spent_s = min(spent_s, _timed(parser, given)[2])
    if because is None and spent_s > SLOWEST_S:
        because = f"it takes {spent_s:.1f} s"
    return because, refused, spent_s


def fuzz(parser: Parser, seed: str, count: int, *, shown: int = 5) -> Outcome:
    """Run a parser over so many spoilt inputs."""
    outcome = Outcome()
    for text in inputs(seed, parser.plain_samples, parser.form, count):
        given = parser.given(text)
        because, refused, spent_s = tried(parser, given)
        outcome.count += 1
        outcome.refused += refused
        outcome.slowest_s = max(outcome.slowest_s, spent_s)
        if because is not None:
            outcome.troubles += 1
            if len(outcome.first) < shown:
                outcome.first += (Trouble(parser=parser.name, because=because, given=given),)
    return outcome


def finite(value: object) -> bool:
    """Whether no number anywhere in a value is NaN or infinite."""
    if isinstance(value, float):
        return math.isfinite(value)
    if isinstance(value, msgspec.Struct):
        return all(finite(getattr(value, name)) for name in value.__struct_fields__)
    if is_dataclass(value) and not isinstance(value, type):
        return all(finite(getattr(value, each.name)) for each in fields(value))
    if isinstance(value, Mapping):
        return all(finite(each) for each in value.values())
    if isinstance(value, str | bytes):
        return True
    if isinstance(value, list | tuple | frozenset | set):
        return all(map(finite, value))
    return True


def first_that(takes: Iterable[Callable[[], Any]]) -> Any:
    """What the first reader that does not refuse it makes of an input; the last refusal where all do."""
    refusal: TwonodeError | None = None
    for take in takes:
        try:
            return take()
        except TwonodeError as exc:
            refusal = exc
    assert refusal is not None
    raise refusal


def every(*parsers: Iterable[Parser]) -> dict[str, Parser]:
    """Parsers by name. Raises ValueError where a name comes twice."""
    found: dict[str, Parser] = {}
    for parser in (each for several in parsers for each in several):
        if parser.name in found:
            raise ValueError(f"two parsers are named {parser.name}")
        found[parser.name] = parser
    return found
