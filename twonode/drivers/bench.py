"""The bench: generator, scope and voltmeter together, and the promise that the output is off at the end.

Owns connecting, finding profiles and leaving. Entering switches the output off before anything else, which also
repairs what a killed run left on; leaving by any route switches it off and reads that back. Where that fails the
bench says that the output's state is unknown.
"""

from __future__ import annotations

import logging
from collections.abc import Callable, Mapping
from types import TracebackType
from typing import Self

from twonode.drivers.clock import Clock, StoppableClock, SystemClock
from twonode.drivers.errors import BenchError, OutputUnknown, SettingNotTaken
from twonode.drivers.generator import Generator
from twonode.drivers.leaving import Interrupted, held_back
from twonode.drivers.link import Backend, Link, VisaLink
from twonode.drivers.manual import MANUAL, Hand, ManualLink
from twonode.drivers.opening import go_on_as, open_as
from twonode.drivers.profile_format import (
    GeneratorProfile,
    InstrumentKind,
    Profile,
    ScopeProfile,
    VoltmeterProfile,
)
from twonode.drivers.profiles import choose_profile, identification_for
from twonode.drivers.scope import Scope
from twonode.drivers.scpi_text import bare_identity
from twonode.drivers.voltmeter import Voltmeter

__all__ = ["Bench", "open_bench"]

log = logging.getLogger("twonode.drivers")

# A link that failed is opened again by its next use: the second try is a real one.
_SWITCH_OFF_TRIES = 2

_Opener = Callable[[], Link]


class Bench:
    """A context: connects when entered, switches the output off when left.

    generator, scope : after entering. voltmeter : None if the bench has none.
    clock : what all waiting on this bench goes by.
    farewell : set on leaving when the output could not be switched off for sure; shown to the user even when
        another error is on its way.
    """

    def __init__(
        self,
        *,
        generator: _Opener,
        scope: _Opener,
        voltmeter: _Opener | None,
        clock: Clock,
        profile_names: Mapping[InstrumentKind, str | None],
        profiles: Mapping[str, Profile] | None,
        timeout_s: float | None = None,
        allow_unverified: bool = False,
    ) -> None:
        self._timeout_s = timeout_s
        self._allow_unverified = allow_unverified
        self._openers = generator, scope, voltmeter
        self._names = profile_names
        self._profiles = profiles
        self._links: list[Link] = []
        self._generator: Generator | None = None
        self._scope: Scope | None = None
        self.voltmeter: Voltmeter | None = None
        self.clock = StoppableClock(clock)
        self.farewell: OutputUnknown | None = None

    @classmethod
    def from_links(
        cls,
        *,
        generator: Link,
        scope: Link,
        voltmeter: Link | None = None,
        clock: Clock | None = None,
        generator_profile: str | None = None,
        scope_profile: str | None = None,
        voltmeter_profile: str | None = None,
        profiles: Mapping[str, Profile] | None = None,
        allow_unverified: bool = False,
    ) -> Self:
        """A bench on links that are already there, such as those of an in-process simulated bench.

        Leaving closes them.
        """
        return cls(
            generator=lambda: generator,
            scope=lambda: scope,
            voltmeter=None if voltmeter is None else lambda: voltmeter,
            clock=clock or SystemClock(),
            profile_names=_names(generator_profile, scope_profile, voltmeter_profile),
            profiles=profiles,
            allow_unverified=allow_unverified,
        )

    @property
    def generator(self) -> Generator:
        """The generator; only inside the context."""
        if self._generator is None:
            raise RuntimeError("the bench is not entered")
        return self._generator

    @property
    def scope(self) -> Scope:
        """The scope; only inside the context."""
        if self._scope is None:
            raise RuntimeError("the bench is not entered")
        return self._scope

    def __enter__(self) -> Self:
        self.farewell = None
        try:
            self._connect()
        except BaseException as exc:
            self._leave(exc)
            raise
        return self

    def __exit__(
        self, kind: type[BaseException] | None, exc: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._leave(exc)

    def stop(self, reason: str) -> None:
        """From another thread: output off now; who measures is interrupted with `Interrupted` at the next wait.

        The bench itself is left by whoever entered it, which switches off once more and says what came of it.

        Raises BenchError where the generator could not be told.
        """
        self.clock.stop(lambda: Interrupted(reason))
        if self._generator is not None:
            self._generator.output(False)

    def _connect(self) -> None:
        open_generator, open_scope, open_voltmeter = self._openers
        link, identity, profile = self._meet(open_generator, InstrumentKind.GENERATOR)
        assert isinstance(profile, GeneratorProfile)
        self._generator = Generator(link, identity=identity, profile=profile, clock=self.clock)
        self._generator.make_safe()
        link, identity, profile = self._meet(open_scope, InstrumentKind.SCOPE)
        assert isinstance(profile, ScopeProfile)
        self._scope = Scope(link, identity=identity, profile=profile, clock=self.clock)
        if open_voltmeter is not None:
            link, identity, profile = self._meet(open_voltmeter, InstrumentKind.VOLTMETER)
            assert isinstance(profile, VoltmeterProfile)
            self.voltmeter = Voltmeter(link, identity=identity, profile=profile, clock=self.clock)

    def _meet(self, opener: _Opener, kind: InstrumentKind) -> tuple[Link, str, Profile]:
        link = opener()
        self._links.append(link)
        identity = bare_identity(link.query(identification_for(self._names[kind], self._profiles)))
        profile = choose_profile(
            identity,
            kind,
            self._names[kind],
            profiles=self._profiles,
            allow_unverified=self._allow_unverified,
        )
        if isinstance(link, VisaLink):
            go_on_as(link, profile, timeout_s=self._timeout_s)
        log.info("%s at %s: %s, profile %s", kind.value, link.resource, identity, profile.name)
        return link, identity, profile

    def _leave(self, exc: BaseException | None) -> None:
        """Output off, links closed. Raises OutputUnknown only when no other error is on its way."""
        try:
            with held_back():
                if self._switch_off() and exc is not None:
                    exc.add_note("The generator was asked: its output is off.")
        finally:
            for link in self._links:
                link.close()
            self._links.clear()
            self._generator = self._scope = self.voltmeter = None
        if self.farewell is not None:
            log.info("%s", self.farewell)
            if exc is None:
                raise self.farewell
            exc.add_note(str(self.farewell))

    def _switch_off(self) -> bool:
        """Whether the generator says that its output is off."""
        if self._generator is None:
            return False
        confirmed = False
        interrupted: KeyboardInterrupt | None = None
        for _ in range(_SWITCH_OFF_TRIES):
            try:
                self._generator.make_safe()
                self.farewell = None
                confirmed = self._generator.output_confirmed
                if not confirmed:
                    log.warning(_commanded(self._generator))
                break
            except KeyboardInterrupt as exc:
                # Without `leaving` around us Ctrl-C can arrive here; the output comes first.
                interrupted = exc
                self.farewell = _unknown(self._generator, "Switching it off was interrupted.")
            except SettingNotTaken:
                self.farewell = OutputUnknown(
                    "The generator was told to switch its output off and says it is still on.",
                    "A signal may still be applied to the circuit.",
                    f"Switch the output off at the generator itself ({self._generator.resource}).",
                )
            except BenchError as exc:
                self.farewell = _unknown(self._generator, exc.what)
        if interrupted is not None:
            raise interrupted
        return confirmed


def _commanded(generator: Generator) -> str:
    if generator.profile.dialled:
        return (
            "Nobody but you can see whether the generator's output is off: look before touching the circuit."
        )
    return (
        f"The generator was told: {generator.profile.output_off.does}. It cannot be asked, so that is commanded and "
        f"not confirmed; switch it off at the generator itself ({generator.resource}) before touching the circuit."
    )


def _unknown(generator: Generator, reason: str) -> OutputUnknown:
    return OutputUnknown(
        "The state of the generator's output is unknown: it could not be switched off.",
        f"{reason} A signal may still be applied to the circuit.",
        f"Switch the output off at the generator itself ({generator.resource}).",
    )


def open_bench(
    *,
    generator: str,
    scope: str,
    voltmeter: str | None = None,
    visa: Backend | None = None,
    clock: Clock | None = None,
    timeout_s: float | None = None,
    generator_profile: str | None = None,
    scope_profile: str | None = None,
    voltmeter_profile: str | None = None,
    profiles: Mapping[str, Profile] | None = None,
    allow_unverified: bool = False,
    hand: Hand | None = None,
) -> Bench:
    """A bench at these addresses; it connects when entered.

    Parameters
    ----------
    generator, scope, voltmeter : VISA addresses.
    visa : see `open_link`. timeout_s : deadline of one exchange, s, unless a named profile has its own.
    generator_profile, scope_profile, voltmeter_profile : names, for instruments that ``*IDN?`` does not lead to.
    profiles : all profiles to choose from; None is those that come with the program.
    allow_unverified : use profiles that were written from memory too.
    hand : who operates a generator whose address is `manual.MANUAL`.

    Entering raises LinkError, UnknownInstrument, WrongInstrument (addresses swapped), ProfileError (also
    UnverifiedProfile), ReplyError.
    """

    names = _names(generator_profile, scope_profile, voltmeter_profile)

    def opener(resource: str, kind: InstrumentKind) -> _Opener:
        return lambda: open_as(
            resource, names[kind], visa=visa, profiles=profiles, kind=kind, timeout_s=timeout_s
        )

    by_hand = hand if generator == MANUAL else None
    return Bench(
        generator=(
            opener(generator, InstrumentKind.GENERATOR) if by_hand is None else lambda: ManualLink(by_hand)
        ),
        scope=opener(scope, InstrumentKind.SCOPE),
        voltmeter=None if voltmeter is None else opener(voltmeter, InstrumentKind.VOLTMETER),
        clock=clock or SystemClock(),
        profile_names=names,
        profiles=profiles,
        timeout_s=timeout_s,
        allow_unverified=allow_unverified,
    )


def _names(
    generator: str | None, scope: str | None, voltmeter: str | None
) -> dict[InstrumentKind, str | None]:
    return {
        InstrumentKind.GENERATOR: generator,
        InstrumentKind.SCOPE: scope,
        InstrumentKind.VOLTMETER: voltmeter,
    }
