"""The index's tables in SQLite, and one entry's way into a row and back.

Owns the columns and the two forms of the word table: full text (FTS5) where SQLite was built with it, else plain text
that is searched through. Holds nothing that cannot be read from the folders again, so there is no migration: another
schema is dropped.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable, Sequence
from functools import cache
from pathlib import Path
from typing import Any

from twonode.recordings.entry import Entry, EntryState, Worth
from twonode.recordings.foldedtext import folded_key
from twonode.recordings.gist import Gist
from twonode.recordings.identity import Identity, IdentityField

__all__ = [
    "SHOWN",
    "ForeignFile",
    "create",
    "delete_rows",
    "entry_of",
    "has_full_text",
    "insert_rows",
    "is_current",
    "key_column",
    "known_names",
    "text_column",
]

# Of the SQLite file: "2node" in no standard's list, and the version of the tables below.
APPLICATION_ID = 0x326E6F64
SCHEMA = 2

SHOWN = (
    "name",
    "seen",
    "state",
    "trouble",
    "kind",
    "created_utc",
    "title",
    "set_name",
    "serial",
    "part",
    "position",
    "when_measured",
    "operator",
    "hookup",
    "ended",
    "simulated",
    "imported",
    "drawer",
    "step",
    "finding",
    "probability",
    "unit",
    "value",
    "standard_uncertainty",
    "low",
    "high",
    "at_least",
    "at_most",
    "expected_low",
    "expected_high",
    "result",
    "notes",
)


def key_column(field: IdentityField) -> str:
    """The column that holds a field's folded text."""
    return f"{field.value}_key"


def text_column(field: IdentityField) -> str:
    """The column that holds a field's text as it stands."""
    return "when_measured" if field is IdentityField.WHEN else field.attribute


_KEYS = tuple(key_column(field) for field in IdentityField)
_COLUMNS = (*SHOWN, *_KEYS)

_CREATE = f"""
CREATE TABLE recording (
    id INTEGER PRIMARY KEY,
    name TEXT NOT NULL UNIQUE,
    {", ".join(f'"{column}"' for column in _COLUMNS[1:])}
);
CREATE INDEX by_created ON recording (created_utc DESC, name DESC) WHERE state <> '{EntryState.NO_RECORDING.value}';
CREATE INDEX by_value ON recording (unit, value);
CREATE INDEX by_set ON recording (set_key);
CREATE INDEX by_finding ON recording (finding);
"""
# The words come folded, so that anything beside a space belongs to one.
_FULL_TEXT = "CREATE VIRTUAL TABLE words USING fts5(text, tokenize = 'ascii')"
_PLAIN_TEXT = "CREATE TABLE words (text TEXT NOT NULL)"


class ForeignFile(Exception):
    """The file is a sound SQLite database of some other program."""


@cache
def has_full_text() -> bool:
    """Whether this SQLite was built with FTS5."""
    with sqlite3.connect(":memory:") as connection:
        try:
            connection.execute("CREATE VIRTUAL TABLE trial USING fts5(text)")
        except sqlite3.OperationalError:
            return False
    return True


def is_current(connection: sqlite3.Connection) -> bool:
    """Whether the file holds these tables. Raises ForeignFile, sqlite3.Error."""
    (program,) = connection.execute("PRAGMA application_id").fetchone()
    if program != APPLICATION_ID:
        (tables,) = connection.execute("SELECT count(*) FROM sqlite_master").fetchone()
        if tables:
            raise ForeignFile
        return False
    (version,) = connection.execute("PRAGMA user_version").fetchone()
    return bool(version == SCHEMA)


def create(connection: sqlite3.Connection, *, full_text: bool) -> None:
    """Drop what is there and make the empty tables, inside the caller's transaction."""
    names = [
        name
        for (name,) in connection.execute(
            "SELECT name FROM sqlite_master WHERE type = 'table' AND name IN ('words', 'recording')"
        )
    ]
    for name in names:
        connection.execute(f"DROP TABLE {name}")
    for statement in (*_CREATE.split(";"), _FULL_TEXT if full_text else _PLAIN_TEXT):
        if statement.strip():
            connection.execute(statement)
    connection.execute(f"PRAGMA application_id = {APPLICATION_ID}")
    connection.execute(f"PRAGMA user_version = {SCHEMA}")


def known_names(connection: sqlite3.Connection) -> dict[str, int]:
    """Every folder in the index with the time it was last seen to be changed at."""
    return dict(connection.execute("SELECT name, seen FROM recording").fetchall())


def delete_rows(connection: sqlite3.Connection, names: Iterable[str]) -> None:
    """Take folders out, inside the caller's transaction."""
    ids: list[tuple[int]] = []
    for name in names:
        ids += connection.execute("SELECT id FROM recording WHERE name = ?", (name,)).fetchall()
    connection.executemany("DELETE FROM words WHERE rowid = ?", ids)
    connection.executemany("DELETE FROM recording WHERE id = ?", ids)


_INSERT = f"INSERT INTO recording (id, {', '.join(_COLUMNS)}) VALUES (?{', ?' * len(_COLUMNS)})"


def insert_rows(connection: sqlite3.Connection, gists: Sequence[tuple[int, Gist]]) -> None:
    """Put gists in, each with the time its folder was seen to be changed at, inside the caller's transaction.

    None of their names may be in the table.
    """
    (last,) = connection.execute("SELECT coalesce(max(id), 0) FROM recording").fetchone()
    numbered = list(enumerate(gists, start=last + 1))
    connection.executemany(_INSERT, [(at, *_row(seen, gist.entry)) for at, (seen, gist) in numbered])
    connection.executemany(
        "INSERT INTO words (rowid, text) VALUES (?, ?)",
        # A space in front, so that the plain table can look for the beginning of a word.
        [(at, f" {gist.words}") for at, (_, gist) in numbered],
    )


def _row(seen: int, entry: Entry) -> tuple[Any, ...]:
    identity, worth = entry.identity, entry.worth or _NO_WORTH
    return (
        entry.name,
        seen,
        entry.state.value,
        entry.trouble,
        entry.kind,
        entry.created_utc,
        entry.title,
        identity.set_name,
        identity.serial,
        identity.part,
        identity.position,
        identity.when,
        identity.operator,
        entry.hookup,
        entry.ended,
        entry.simulated,
        entry.imported,
        entry.drawer,
        entry.step,
        entry.finding,
        entry.probability,
        worth.unit or None,
        worth.value,
        worth.standard_uncertainty,
        worth.low,
        worth.high,
        worth.at_least,
        worth.at_most,
        entry.expected_low,
        entry.expected_high,
        entry.result,
        "\n".join(" ".join(line.split()) for line in entry.notes) or None,
        folded_key(identity.set_name),
        folded_key(identity.serial),
        folded_key(identity.part),
        folded_key(identity.position),
        folded_key(identity.when),
        folded_key(identity.operator),
    )


_NO_WORTH = Worth(unit="")


def entry_of(archive: Path, row: Sequence[Any]) -> Entry:
    """A row, its columns in the order of `SHOWN`, as an entry of this archive."""
    # fmt: off
    (name, _, state, trouble, kind, created_utc, title, set_name, serial, part, position, when, operator, hookup, ended,
     simulated, imported, drawer, step, finding, probability, unit, value, standard_uncertainty, low, high, at_least,
     at_most, expected_low, expected_high, result, notes) = row
    # fmt: on
    return Entry(
        archive=archive,
        name=name,
        state=EntryState(state),
        trouble=trouble,
        kind=kind,
        created_utc=created_utc,
        title=title,
        identity=Identity(
            set_name=set_name, serial=serial, part=part, position=position, when=when, operator=operator
        ),
        hookup=hookup,
        ended=ended,
        simulated=bool(simulated),
        imported=bool(imported),
        drawer=drawer,
        step=step,
        finding=finding,
        probability=probability,
        worth=None
        if unit is None
        else Worth(
            unit=unit,
            value=value,
            standard_uncertainty=standard_uncertainty,
            low=low,
            high=high,
            at_least=at_least,
            at_most=at_most,
        ),
        expected_low=expected_low,
        expected_high=expected_high,
        result=result,
        notes=tuple(notes.split("\n")) if notes else (),
    )
