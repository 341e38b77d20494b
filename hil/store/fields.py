"""Frozen dataclasses to JSON data and back, each value checked against the type of its field.

The check of a type is put together once and then only called: a record of a night has hundreds of
thousands of fields.
"""

from __future__ import annotations

import dataclasses
import functools
import math
import types
import typing
from collections.abc import Callable, Mapping, Sequence
from enum import Enum
from typing import Any

#: A value to what is kept of it, or the other way round.
Convert = Callable[[Any], Any]


class Mismatch(Exception):
    """Something is not what its type says, and where: a path of keys."""

    def __init__(self, what: str, where: str = "") -> None:
        super().__init__(f"{where}: {what}" if where else what)
        self.what, self.where = what, where

    def within(self, outer: str) -> Mismatch:
        """The same, seen from one level further out."""
        joint = "." if self.where and not self.where.startswith("[") else ""
        return Mismatch(self.what, f"{outer}{joint}{self.where}")


def writer(hint: Any) -> Convert:
    """Turns a `hint` into JSON data; raises `Mismatch`."""
    return _writer(hint)


def reader(hint: Any) -> Convert:
    """Turns JSON data into a `hint`; raises `Mismatch`."""
    return _reader(hint)


@functools.cache
def _writer(hint: Any) -> Convert:
    if dataclasses.is_dataclass(hint):
        return _object_writer(hint)
    return _converter(hint, _writer, writing=True)


@functools.cache
def _reader(hint: Any) -> Convert:
    if dataclasses.is_dataclass(hint):
        return _object_reader(hint)
    return _converter(hint, _reader, writing=False)


def _object_writer(cls: Any) -> Convert:
    hints = typing.get_type_hints(cls)
    parts = [(field.name, _writer(hints[field.name])) for field in dataclasses.fields(cls)]

    def write(value: Any) -> Any:
        if not isinstance(value, cls):
            raise Mismatch(f"expected {_name(cls)}, found {type(value).__name__}")
        written = {}
        for name, convert in parts:
            try:
                written[name] = convert(getattr(value, name))
            except Mismatch as problem:
                raise problem.within(name) from None
        return written

    return write


def _object_reader(cls: Any) -> Convert:
    hints, none = typing.get_type_hints(cls), dataclasses.MISSING
    fields = dataclasses.fields(cls)
    converters = {field.name: _reader(hints[field.name]) for field in fields}
    needed = frozenset(f.name for f in fields if f.default is none and f.default_factory is none)

    def read(value: Any) -> Any:
        if not isinstance(value, dict):
            raise Mismatch(f"expected an object, found {type(value).__name__}")
        parts, name = {}, ""
        try:
            for name, part in value.items():
                parts[name] = converters[name](part)
        except KeyError:
            raise Mismatch(_unlike(value, converters, needed)) from None
        except Mismatch as problem:
            raise problem.within(name) from None
        if not needed <= parts.keys():
            raise Mismatch(_unlike(value, converters, needed))
        try:
            return cls(**parts)
        except ValueError as problem:
            raise Mismatch(str(problem)) from problem

    return read


def _unlike(found: Mapping[str, Any], known: Mapping[str, Any], needed: frozenset[str]) -> str:
    words = [f"unknown field {name!r}" for name in found if name not in known]
    words += [f"field {n!r} is missing" for n in known if n in needed and n not in found]
    return ", ".join(words)


def _converter(hint: Any, step: Callable[[Any], Convert], *, writing: bool) -> Convert:
    """Everything that is not a dataclass; `step` converts what is inside."""
    origin, arguments = typing.get_origin(hint), typing.get_args(hint)
    if origin in (typing.Union, types.UnionType):
        inner = step(next(one for one in arguments if one is not types.NoneType))
        return lambda value: None if value is None else inner(value)
    if origin is tuple:
        return _list(step(arguments[0]), tuple if writing else list, list if writing else tuple)
    if isinstance(origin, type) and issubclass(origin, Mapping):
        return _mapping(step(arguments[1]))
    if isinstance(hint, type) and issubclass(hint, Enum):
        return _word(hint, writing=writing)
    return _PLAIN[hint]


def _list(inner: Convert, expected: type[Sequence[Any]], made: type[Sequence[Any]]) -> Convert:
    def convert(value: Any) -> Any:
        if not isinstance(value, expected):
            raise Mismatch(f"expected a list, found {type(value).__name__}")
        parts = []
        for part in value:
            try:
                parts.append(inner(part))
            except Mismatch as problem:
                raise problem.within(f"[{len(parts)}]") from None
        return made(parts)  # type: ignore[call-arg]

    return convert


def _mapping(inner: Convert) -> Convert:
    def convert(value: Any) -> Any:
        if not isinstance(value, Mapping) or not all(isinstance(key, str) for key in value):
            raise Mismatch(f"expected an object, found {type(value).__name__}")
        parts = {}
        for key, part in value.items():
            try:
                parts[key] = inner(part)
            except Mismatch as problem:
                raise problem.within(key) from None
        return parts

    return convert


def _word(hint: type[Enum], *, writing: bool) -> Convert:
    def convert(value: Any) -> Any:
        try:
            return hint(value).value if writing else hint(value)
        except ValueError:
            words = ", ".join(repr(member.value) for member in hint)
            raise Mismatch(f"expected one of {words}, found {value!r}") from None

    return convert


def _text(value: Any) -> str:
    if not isinstance(value, str):
        raise Mismatch(f"expected str, found {value!r}")
    return str(value)


def _truth(value: Any) -> bool:
    if not isinstance(value, bool):
        raise Mismatch(f"expected bool, found {value!r}")
    return value


def _whole(value: Any) -> int:
    """Numpy's whole numbers included."""
    if not hasattr(value, "__index__") or isinstance(value, bool):
        raise Mismatch(f"expected int, found {value!r}")
    return int(value)


def _number(value: Any) -> float:
    """Finite, numpy's numbers included."""
    if type(value) is float and math.isfinite(value):
        return value
    is_number = isinstance(value, float) or hasattr(value, "__index__")
    if not is_number or isinstance(value, bool):
        raise Mismatch(f"expected float, found {value!r}")
    try:
        if math.isfinite(value):
            return float(value)
    except OverflowError:  # a whole number of hundreds of digits
        pass
    raise Mismatch(f"expected a finite number, found {value!r}")


_PLAIN: dict[Any, Convert] = {str: _text, bool: _truth, int: _whole, float: _number}


def _name(hint: Any) -> str:
    return getattr(hint, "__name__", str(hint))
