"""A form whose fields are the options of a command, so that page and command line take and refuse the same.

Owns the way from typed fields to the command's options, and from an option in an error back to its field. Nothing is
parsed here: the command's own parameters do it.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from typing import Any

import click

from twonode.console.page import pieces
from twonode.console.page.control import Choice, Field
from twonode.console.page.trouble import Trouble, trouble_of
from twonode.errors import TwonodeError

__all__ = ["OptionForm", "named_by_labels", "parsed_options"]

_OPTION = re.compile(r"--[a-z]+(?:-[a-z]+)*")


def parsed_options(
    command: click.Command, given: Mapping[str, str], flags: tuple[str, ...] = ()
) -> dict[str, Any]:
    """The command's parameters by name for options that were typed; empty texts were not given.

    given : option, such as "--grid-leak", to text. flags : options without a value.

    Raises UsageError, QuantityError and whatever else the command's parameters raise.
    """
    words = [f"{option}={text.strip()}" for option, text in given.items() if text.strip()]
    with command.make_context(command.name, [*flags, *words]) as made:
        return dict(made.params)


def named_by_labels(error: BaseException, labels: Mapping[str, str]) -> tuple[Trouble, str | None]:
    """The error with the fields' labels in place of their options, and the option it is about, if one."""
    if isinstance(error, click.MissingParameter) and error.param is not None:
        error = click.UsageError(f"{error.param.opts[-1]} is missing")
    elif isinstance(error, click.BadParameter) and error.param is not None:
        error = click.UsageError(f"{error.param.opts[-1]}: {error.message}")
    found = trouble_of(error)
    about = next((each for each in _OPTION.findall(found.what) if each in labels), None)
    what, why, do = (_labelled(each, labels) for each in (found.what, found.why, found.do))
    return Trouble(what=what, why=why, do=do, notes=found.notes), about


def _labelled(text: str, labels: Mapping[str, str]) -> str:
    return _OPTION.sub(lambda each: f"“{labels[each[0]]}”" if each[0] in labels else each[0], text)


class OptionForm:
    """The fields of one form, by the option that each stands for. say : puts labels and hints into a person's words."""

    def __init__(self, say: Callable[[str], str] = str) -> None:
        self._say = say
        self._fields: dict[str, Field | Choice] = {}
        self._labels: dict[str, str] = {}

    def field(self, option: str, label: str, hint: str = "", value: str = "") -> Field:
        """A line for an option's value."""
        label = self._say(label)
        made = pieces.field(label, value, hint=self._say(hint))
        self._fields[option], self._labels[option] = made, label
        return made

    def choice(
        self, option: str, label: str, options: Mapping[str, str], value: str = "", hint: str = ""
    ) -> Choice:
        """One of several values."""
        label = self._say(label)
        said = {each: self._say(words) for each, words in options.items()}
        made = pieces.choice(label, said, value, hint=self._say(hint))
        self._fields[option], self._labels[option] = made, label
        return made

    def given(self) -> dict[str, str]:
        """What stands in the fields, by option."""
        return {option: control.value for option, control in self._fields.items()}

    @property
    def labels(self) -> Mapping[str, str]:
        """Of the fields, by option."""
        return dict(self._labels)

    def labelled(self, text: str) -> str:
        """A sentence of the program's with the fields' labels in place of their options."""
        return _labelled(text, self._labels)

    def error(self, option: str, words: str) -> None:
        """Say below a field what is wrong with it."""
        self._fields[option].error(words)

    @contextmanager
    def catching(self, box: pieces.TroubleBox) -> Iterator[None]:
        """Say what goes wrong inside by the fields' labels, and mark the field that it is about."""
        box.clear()
        for control in self._fields.values():
            control.error(None)
        try:
            yield
        except (TwonodeError, click.ClickException) as exc:
            said, about = named_by_labels(exc, self._labels)
            box.show(said)
            if about is not None:
                short = said.do or said.what.removeprefix(f"“{self._labels[about]}”: ")
                self._fields[about].error(self._say(short))
        except Exception as exc:
            box.show(exc)
            raise
