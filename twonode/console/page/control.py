"""The labelled controls: a line, an area, a choice, a tick, a slider.

Owns their Python side. The value is the person's; setting it here changes what is shown.
"""

from __future__ import annotations

from collections.abc import Awaitable, Callable, Mapping
from typing import Any

from nicegui.element import Element
from nicegui.events import GenericEventArguments

__all__ = ["Choice", "Field", "Slider", "Tick"]


class _Control(Element, component="static/control.js"):
    """What all have in common: label, hint, error, whether they may be used."""

    def __init__(self, kind: str, label: str, value: Any, *, hint: str) -> None:
        super().__init__()
        self._props["kind"] = kind
        self._props["label"] = label
        self._props["value"] = value
        if hint:
            self._props["hint"] = hint
        self.on("changed", self._changed)

    def _changed(self, event: GenericEventArguments) -> None:
        # Kept without an update: the browser shows it already.
        self._props["value"] = event.args
        self.changed()

    def changed(self) -> None:
        """The person changed it."""
        raise NotImplementedError

    def error(self, words: str | None) -> None:
        """Say below it what is wrong; None takes that away."""
        self._put("error", words or "")

    def rename(self, label: str) -> None:
        """Ask for something else."""
        self._put("label", label)

    def allow(self, allowed: bool) -> None:
        """Whether it may be used."""
        self._put("off", not allowed)

    def set_value(self, value: Any) -> None:
        """Show another value than what was typed."""
        self._props["value"] = value
        self._props["version"] = self._props.get("version", 0) + 1
        self.update()

    def _put(self, name: str, value: Any) -> None:
        if self._props.get(name) != value:
            self._props[name] = value
            self.update()


class Field(_Control):
    """Text to type."""

    def __init__(
        self,
        kind: str,
        label: str,
        value: str,
        *,
        hint: str = "",
        on_change: Callable[[str], Any] | None = None,
        width: str | None = None,
        on_enter: Callable[[], Awaitable[None] | None] | None = None,
    ) -> None:
        super().__init__(kind, label, value, hint=hint)
        self._on_change = on_change
        if width is not None:
            self._props["width"] = width
        if on_enter is not None:

            async def entered(_: GenericEventArguments) -> None:
                answer = on_enter()
                if answer is not None:
                    await answer

            self.on("entered", entered)

    @property
    def value(self) -> str:
        """What was typed."""
        return str(self._props["value"] or "")

    def set(self, value: str) -> None:
        """Show another text."""
        self.set_value(value)

    def changed(self) -> None:
        """The person typed."""
        if self._on_change is not None:
            self._on_change(self.value)


class Choice(_Control):
    """One of several."""

    def __init__(
        self,
        label: str,
        options: Mapping[str, str],
        value: str,
        *,
        hint: str = "",
        on_change: Callable[[str], Any] | None = None,
    ) -> None:
        super().__init__("choice", label, value, hint=hint)
        self._props["options"] = [list(each) for each in options.items()]
        self._on_change = on_change

    @property
    def value(self) -> str:
        """What is chosen."""
        return str(self._props["value"])

    def set(self, value: str) -> None:
        """Choose another."""
        self.set_value(value)

    def options(self, options: Mapping[str, str], value: str) -> None:
        """Offer others, and choose one of them."""
        self._props["options"] = [list(each) for each in options.items()]
        self.set_value(value)

    def changed(self) -> None:
        """The person chose."""
        if self._on_change is not None:
            self._on_change(self.value)


class Tick(_Control):
    """A box to tick."""

    def __init__(
        self, label: str, value: bool, *, hint: str = "", on_change: Callable[[bool], Any] | None = None
    ) -> None:
        super().__init__("tick", label, value, hint=hint)
        self._on_change = on_change

    @property
    def value(self) -> bool:
        """Whether it is ticked."""
        return bool(self._props["value"])

    def set(self, value: bool) -> None:
        """Tick it or not."""
        self.set_value(value)

    def changed(self) -> None:
        """The person ticked."""
        if self._on_change is not None:
            self._on_change(self.value)


class Slider(_Control):
    """A value to drag. shown : how it is written beside it."""

    def __init__(
        self,
        label: str,
        low: float,
        high: float,
        step: float,
        value: float,
        *,
        on_change: Callable[[float], Any] | None = None,
        shown: Callable[[float], str] = str,
    ) -> None:
        super().__init__("slider", label, value, hint="")
        self._props["low"], self._props["high"], self._props["step"] = low, high, step
        self._on_change = on_change
        self._shown = shown
        self._props["shown"] = shown(value)

    @property
    def value(self) -> float:
        """Where it stands."""
        return float(self._props["value"])

    def set(self, value: float) -> None:
        """Move it."""
        self._props["shown"] = self._shown(value)
        self.set_value(value)

    def changed(self) -> None:
        """The person dragged."""
        self._put("shown", self._shown(self.value))
        if self._on_change is not None:
            self._on_change(self.value)
