"""Entries of a run record to lines of JSON and back, strictly and without loss.

One entry is one line of ASCII: an object whose ``kind`` names the entry and whose other keys are
the fields of its type in `hil.core.record`. Reading refuses what it does not know: a record is
evidence, and a field silently dropped would be evidence lost. A field that a type gained later
with a default may be absent.
"""

from __future__ import annotations

import json
from typing import NoReturn

from hil.core.errors import StoreError
from hil.core.record import SCHEMA, Entry, ItemResult, ItemStart, Note, Resumed, RunEnd, RunStart
from hil.store.fields import Mismatch, reader, writer

_KINDS: dict[str, type[Entry]] = {
    entry.kind: entry for entry in (RunStart, ItemStart, ItemResult, Note, Resumed, RunEnd)
}


def encode(entry: Entry) -> str:
    """One line without its line end.

    Raises
    ------
    StoreError
        If the entry holds what cannot be kept: NaN, infinity, or a value of another type than
        its field says.
    """
    try:
        _check(entry)
        body = writer(type(entry))(entry)
    except Mismatch as problem:
        raise StoreError(f"cannot record a {entry.kind!r} entry: {problem}") from problem
    return json.dumps({"kind": entry.kind, **body}, allow_nan=False, separators=(",", ":"))


def decode(line: str, place: str = "") -> Entry:
    """The entry a line holds.

    Parameters
    ----------
    line : one line of a record.
    place : ``file:line`` for messages.

    Raises
    ------
    StoreError
        If the line is no JSON object, its kind or schema is unknown, or a field is missing,
        unknown or of the wrong type.
    """
    prefix = f"{place}: " if place else ""
    try:
        found = json.loads(line, parse_constant=_refuse_constant)
    except ValueError as problem:
        raise StoreError(f"{prefix}not a record entry: {problem}") from problem
    if not isinstance(found, dict):
        raise StoreError(f"{prefix}expected an object with a kind, found {type(found).__name__}")
    kind = found.pop("kind", None)
    if not isinstance(kind, str) or kind not in _KINDS:
        raise StoreError(
            f"{prefix}unknown kind of entry {kind!r}, expected one of {', '.join(_KINDS)}"
        )
    schema = found.get("schema")
    if kind == RunStart.kind and isinstance(schema, int) and schema > SCHEMA:
        raise StoreError(
            f"{prefix}record schema {schema} is newer than {SCHEMA}, the newest this version reads"
        )
    try:
        entry: Entry = reader(_KINDS[kind])(found)
        _check(entry)
    except Mismatch as problem:
        raise StoreError(f"{prefix}{kind} entry: {problem}") from problem
    return entry


def _check(entry: Entry) -> None:
    """What the types alone cannot say."""
    if isinstance(entry, ItemResult) and len(entry.repeats) not in (0, len(entry.measures)):
        found = f"{len(entry.repeats)} repeats for {len(entry.measures)} measures"
        raise Mismatch(f"expected one a measure or none, found {found}", "repeats")


def _refuse_constant(name: str) -> NoReturn:
    raise ValueError(f"{name} is not a number a record may hold")
