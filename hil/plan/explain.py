"""Validation results in the words of the person who wrote the file."""

from __future__ import annotations

import difflib
from collections.abc import Iterable, Iterator, Mapping
from types import MappingProxyType
from typing import Any, TypeVar

from pydantic import BaseModel, ValidationError

from hil.core.alike import nearest
from hil.plan.model import Model
from hil.plan.source import Problem, Source, Where, Within, describe, place, refuse

ModelT = TypeVar("ModelT", bound=Model)

#: Error kind of the validation library -> what was expected.
_EXPECTED = {
    "int_type": "a whole number without unit",
    "int_parsing": "a whole number without unit",
    "int_from_float": "a whole number without unit",
    "float_type": "a number",
    "string_type": "a text (put digits in quotes)",
    "bool_type": "true or false",
    "bool_parsing": "true or false",
    "model_type": "keys and values",
    "dict_type": "keys and values",
    "tuple_type": "a list",
    "list_type": "a list",
    "date_type": "a date such as 2027-03-31",
    "date_parsing": "a date such as 2027-03-31",
    "date_from_datetime_parsing": "a date such as 2027-03-31",
}


#: Error kind -> how a limit is worded, and where its value stands.
_LIMITS = {
    "greater_than_equal": ("at least", "ge"),
    "greater_than": ("more than", "gt"),
    "less_than_equal": ("at most", "le"),
    "less_than": ("less than", "lt"),
}


def validate(model: type[ModelT], source: Source, data: object = None, at: Where = ()) -> ModelT:
    """Make `model` of the source's data (or of `data`, which stands at `at` in it).

    Raises
    ------
    PlanError
        With all problems, each with file, line, column, field, what was found and expected.
    """
    try:
        return model.model_validate(source.data if data is None else data)
    except ValidationError as error:
        raise refuse(list(problems(model, error, source, at))) from error


def problems(
    model: type[BaseModel],
    error: ValidationError,
    source: Source,
    at: Where = (),
    places: Mapping[str, Where] = MappingProxyType({}),
) -> Iterator[Problem]:
    """Each entry of a validation error at its place in the file.

    `places` says where single keys really stand, when not all of them stand together at `at`.
    """
    entries = error.errors(include_url=False)
    for entry in entries:
        loc = entry["loc"]
        if entry["type"] == "missing" and _misspelt(loc, entries):
            continue
        if entry["type"] == "too_short" and _wrong_within(loc, entries):
            continue
        first = str(loc[0]) if loc else ""
        path = (*places[first], *loc[1:]) if first in places else (*at, *loc)
        error_within = entry.get("ctx", {}).get("error")
        if isinstance(error_within, Within):
            for inner, text in error_within.parts:
                whole = (*_known(source.data, path, entry["type"]), *inner)
                yield source.problem(whole, f"{place(whole)}: {text}")
            continue
        yield _problem(model, entry, source, _known(source.data, path, entry["type"]), len(at))


def _misspelt(missing: tuple[str | int, ...], entries: Iterable[Mapping[str, Any]]) -> bool:
    """Whether an unknown key beside a missing one is probably meant to be it."""
    return any(
        entry["type"] == "extra_forbidden"
        and entry["loc"][:-1] == missing[:-1]
        and difflib.get_close_matches(str(entry["loc"][-1]), [str(missing[-1])])
        for entry in entries
    )


def _wrong_within(loc: tuple[str | int, ...], entries: Iterable[Mapping[str, Any]]) -> bool:
    """Whether a list lacks entries only because those it has are wrong."""
    return any(entry["loc"] != loc and entry["loc"][: len(loc)] == loc for entry in entries)


def _problem(
    model: type[BaseModel], entry: Mapping[str, Any], source: Source, loc: Where, skip: int
) -> Problem:
    kind, found = str(entry["type"]), entry["input"]
    field = place(loc)
    if kind == "missing":
        return source.problem(loc, f"{field} is missing")
    if kind == "extra_forbidden":
        siblings = _fields_at(model, loc[skip:-1])
        return source.problem(
            loc, f"{place(loc[:-1]) or 'file'}: unknown key {loc[-1]!r}"
            f"{nearest(str(loc[-1]), siblings)}", key=True,
        )  # fmt: skip
    text = _sentence(kind, entry, found)
    return source.problem(loc, f"{field}: {text}" if field else text)


def _sentence(kind: str, entry: Mapping[str, Any], found: object) -> str:
    context = entry.get("ctx", {})
    if kind == "value_error":
        return str(context["error"])
    if kind in ("literal_error", "enum", "union_tag_invalid"):
        expected = str(context.get("expected") or context["expected_tags"])
        found = context.get("tag", found)
        words = [word.strip(" '") for word in expected.replace(" or ", ", ").split(",")]
        hint = nearest(str(found), words) if isinstance(found, str) else ""
        said = f"expected {expected}, found {describe(found)}"
        return said + (hint if hint.startswith("; did") else "")
    if kind in ("string_too_short", "too_short"):
        return _too_short(kind, context)
    if kind == "string_pattern_mismatch":
        return (
            "expected lower-case letters, digits, '.', '_' or '-', beginning and ending with a "
            f"letter or digit, found {describe(found)}"
        )
    word, key = _LIMITS.get(kind, ("", ""))
    expected = f"{word} {context[key]}" if word else _EXPECTED.get(kind, "")
    if expected:
        return f"expected {expected}, found {describe(found)}"
    said = str(entry["msg"])
    return f"{said[:1].lower()}{said[1:]}, found {describe(found)}"


def _too_short(kind: str, context: Mapping[str, Any]) -> str:
    if kind == "string_too_short":
        return "expected some text, found none"
    least, there = context["min_length"], context["actual_length"]
    what = "entry" if least == 1 else "entries"
    return f"expected at least {least} {what}, found {there or 'none'}"


def _known(data: Any, loc: Iterable[str | int], kind: str) -> Where:
    """Drop the parts of a location that name a choice of a union, not a place in the file."""
    parts = list(loc)
    result: list[str | int] = []
    here: Any = data
    for index, part in enumerate(parts):
        last = index == len(parts) - 1
        if _holds(here, part):
            result.append(part)
            here = here[part]
        elif last and kind == "missing":
            result.append(part)
    return tuple(result)


def _holds(here: Any, part: str | int) -> bool:
    if isinstance(here, dict):
        return part in here
    return isinstance(here, list) and isinstance(part, int) and part < len(here)


def _fields_at(model: type[BaseModel], where: Where) -> list[str]:
    """Keys that the model at a place knows."""
    here: list[type[BaseModel]] = [model]
    for part in where:
        if isinstance(part, int):
            continue
        below: list[type[BaseModel]] = []
        for candidate in here:
            fields = {f.alias or n: f for n, f in candidate.model_fields.items()}
            if part in fields:
                below.extend(_models(fields[str(part)].annotation))
            else:
                # a key of a mapping: the models inside it are already the candidates
                below.append(candidate)
        here = below or here
    return sorted({f.alias or n for c in here for n, f in c.model_fields.items()})


def _models(annotation: Any) -> list[type[BaseModel]]:
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return [annotation]
    return [m for part in getattr(annotation, "__args__", ()) for m in _models(part)]
