"""Entries of a run record to lines of JSON and back, strictly and without loss.

One entry is one line of ASCII: an object whose ``kind`` names the entry and whose other keys are
the fields of its type in `hil.core.record`. Reading refuses what it does not know: a record is
evidence, and a field silently dropped would be evidence lost. A field that a type gained later
with a default may be absent.
"""

from __future__ import annotations

import dataclasses
import functools
import json
import math
import types
import typing
from collections.abc import Callable, Mapping
from enum import Enum
from typing import Any, NoReturn

from hil.core.errors import StoreError
from hil.core.record import SCHEMA, Entry, ItemResult, ItemStart, Note, RunEnd, RunStart

_KINDS: dict[str, type[Entry]] = {
    entry.kind: entry for entry in (RunStart, ItemStart, ItemResult, Note, RunEnd)
}


class _Mismatch(Exception):
    """Where in an entry (a path of keys) something is not what the type says."""

    def __init__(self, where: str, what: str) -> None:
        super().__init__(f"{where}: {what}" if where else what)


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
        body = _pack(type(entry), entry, "")
    except _Mismatch as problem:
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
        entry: Entry = _unpack(_KINDS[kind], found, "")
        _check(entry)
    except _Mismatch as problem:
        raise StoreError(f"{prefix}{kind} entry: {problem}") from problem
    return entry


def _check(entry: Entry) -> None:
    """What the types alone cannot say."""
    if isinstance(entry, ItemResult) and len(entry.repeats) not in (0, len(entry.measures)):
        found = f"{len(entry.repeats)} repeats for {len(entry.measures)} measures"
        raise _Mismatch("repeats", f"expected one a measure or none, found {found}")


def _refuse_constant(name: str) -> NoReturn:
    raise ValueError(f"{name} is not a number a record may hold")


def _has_fields(hint: Any) -> bool:
    return dataclasses.is_dataclass(hint)


@functools.cache
def _fields(cls: Any) -> Mapping[str, tuple[Any, bool]]:
    """Field name -> (resolved type, has a default)."""
    hints = typing.get_type_hints(cls)
    missing = dataclasses.MISSING
    return {
        field.name: (
            hints[field.name],
            field.default is not missing or field.default_factory is not missing,
        )
        for field in dataclasses.fields(cls)
    }


def _pack(hint: Any, value: Any, where: str) -> Any:
    """`value`, which should be a `hint`, as JSON data."""
    if _has_fields(hint):
        if not isinstance(value, hint):
            raise _Mismatch(where, f"expected {_name(hint)}, found {type(value).__name__}")
        return {
            name: _pack(kind, getattr(value, name), _join(where, name))
            for name, (kind, _) in _fields(hint).items()
        }
    return _walk(hint, value, where, _pack, writing=True)


def _unpack(hint: Any, value: Any, where: str) -> Any:
    """JSON data as a `hint`."""
    if _has_fields(hint):
        if not isinstance(value, dict):
            raise _Mismatch(where, f"expected an object, found {type(value).__name__}")
        fields = _fields(hint)
        unknown = [name for name in value if name not in fields]
        missing = [n for n, (_, optional) in fields.items() if not optional and n not in value]
        if unknown or missing:
            words = [f"unknown field {n!r}" for n in unknown]
            words += [f"field {n!r} is missing" for n in missing]
            raise _Mismatch(where, ", ".join(words))
        parts = {n: _unpack(fields[n][0], v, _join(where, n)) for n, v in value.items()}
        try:
            return hint(**parts)
        except ValueError as problem:
            raise _Mismatch(where, str(problem)) from problem
    return _walk(hint, value, where, _unpack, writing=False)


def _walk(
    hint: Any, value: Any, where: str, step: Callable[[Any, Any, str], Any], *, writing: bool
) -> Any:
    """Everything that is not a dataclass; `step` handles what is inside."""
    origin, arguments = typing.get_origin(hint), typing.get_args(hint)
    if origin in (typing.Union, types.UnionType):
        inner = next(argument for argument in arguments if argument is not types.NoneType)
        return None if value is None else step(inner, value, where)
    if origin is tuple:
        if not isinstance(value, tuple if writing else list):
            raise _Mismatch(where, f"expected a list, found {type(value).__name__}")
        parts = [step(arguments[0], part, f"{where}[{i}]") for i, part in enumerate(value)]
        return parts if writing else tuple(parts)
    if isinstance(origin, type) and issubclass(origin, Mapping):
        if not isinstance(value, Mapping) or not all(isinstance(key, str) for key in value):
            raise _Mismatch(where, f"expected an object, found {type(value).__name__}")
        return {key: step(arguments[1], part, _join(where, key)) for key, part in value.items()}
    if isinstance(hint, type) and issubclass(hint, Enum):
        try:
            return hint(value).value if writing else hint(value)
        except ValueError:
            words = ", ".join(repr(member.value) for member in hint)
            raise _Mismatch(where, f"expected one of {words}, found {value!r}") from None
    return _plain(hint, value, where)


def _plain(hint: Any, value: Any, where: str) -> Any:
    """Text, truth values and finite numbers, numpy's included."""
    if hint is str and isinstance(value, str):
        return str(value)
    if hint is bool and isinstance(value, bool):
        return value
    if hint is int and hasattr(value, "__index__") and not isinstance(value, bool):
        return int(value)
    is_number = isinstance(value, float) or hasattr(value, "__index__")
    if hint is float and is_number and not isinstance(value, bool):
        if not math.isfinite(value):
            raise _Mismatch(where, f"expected a finite number, found {value!r}")
        return float(value)
    raise _Mismatch(where, f"expected {_name(hint)}, found {value!r}")


def _name(hint: Any) -> str:
    return getattr(hint, "__name__", str(hint))


def _join(where: str, name: str) -> str:
    return f"{where}.{name}" if where else name
