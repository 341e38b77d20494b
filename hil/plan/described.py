"""Descriptions of instruments: a file beside the rig file, or keys in the rig file itself.

    thermometer: {commands: my-thermometer.yaml}
    thermometer: {commands: {temperature: {query: "READ?"}, command-gap: 50 ms}}

Every key may be left out; what is left out is as in SCPI-1999.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from pathlib import Path
from typing import Annotated, Any, Literal, TypeVar

from pydantic import AfterValidator, model_validator

from hil.plan.explain import validate
from hil.plan.model import Model
from hil.plan.reader import read
from hil.plan.source import Problem, Source, Where, refuse, tidy
from hil.plan.units import Time


def line(text: str) -> str:
    """One line of ASCII.

    Raises
    ------
    ValueError
    """
    if not text.isascii() or not text.isprintable() or text != text.strip():
        raise ValueError(f"expected one line of ASCII without blanks around it, found {text!r}")
    return text


def once(text: str, place: str) -> str:
    """One line with this place for a number in it, and no other.

    Raises
    ------
    ValueError
    """
    rest = line(text).replace(place, "", 1)
    if rest == text or "{" in rest or "}" in rest:
        raise ValueError(f"expected {place} in it once, found {text!r}")
    return text


def _fixed(text: str) -> str:
    if not text or "{" in line(text) or "}" in text or "?" in text:
        raise ValueError(f"expected a command without braces and question mark, found {text!r}")
    return text


def _query(text: str) -> str:
    if "?" not in line(text) or "{" in text or "}" in text:
        raise ValueError(f"expected a query, with a question mark, found {text!r}")
    return text


Fixed = Annotated[str, AfterValidator(_fixed)]
Query = Annotated[str, AfterValidator(_query)]
#: "" says that the instrument has none.
FixedOrNone = Annotated[str, AfterValidator(lambda text: text and _fixed(text))]
QueryOrNone = Annotated[str, AfterValidator(lambda text: text and _query(text))]


class Described(Model):
    """Common to all descriptions."""

    format: Literal[1] = 1
    file: str = ""
    name: str = ""
    error_query: QueryOrNone = "SYST:ERR?"
    command_gap: Time = 0.0

    @model_validator(mode="before")
    @classmethod
    def _file_alone(cls, data: Any) -> Any:
        return {"file": data} if isinstance(data, str) else data


TextsT = TypeVar("TextsT", bound=Described)
Complaints = Callable[[TextsT, Source, Where], Iterator[Problem]]


def _content(_texts: Described, _source: Source, _at: Where) -> Iterator[Problem]:
    return iter(())


def find(
    texts: TextsT,
    source: Source,
    at: Where,
    *,
    beside: tuple[str, ...] = (),
    complaints: Complaints[TextsT] = _content,
) -> tuple[TextsT, str, tuple[Path, ...]]:
    """What a rig file says at `at`: the texts, where they stand, and the file they came from.

    Parameters
    ----------
    beside : keys that may stand beside ``file``; the caller merges them.
    complaints : what contradicts what in a description, wherever it stands.

    Raises
    ------
    PlanError
        With file, line and column of every problem.
    """
    wrong = [*_beside_file(texts, source, at, beside), *complaints(texts, source, at)]
    if wrong:
        raise refuse(wrong)
    if not texts.file:
        return texts, "in the rig file", ()
    place: Where = at if isinstance(_value(source, at), str) else (*at, "file")
    path = tidy(Path(source.position(place).file).parent / texts.file)
    if not path.is_file():
        raise refuse([source.problem(place, f"{dotted(at)}: there is no file {path.as_posix()}")])
    own = read(path)
    described = validate(type(texts), own)
    wrong = list(complaints(described, own, ()))
    if described.file:
        wrong.append(own.problem(("file",), "file: a description names no other file"))
    if wrong:
        raise refuse(wrong)
    return described, path.name, (path,)


def _beside_file(
    texts: Described, source: Source, at: Where, beside: Iterable[str]
) -> Iterator[Problem]:
    if not texts.file:
        return
    for name in sorted(texts.model_fields_set - {"file", "format", *beside}):
        key = (*at, name.replace("_", "-"))
        only = f"only {' and '.join(beside)} may stand" if beside else "nothing else may stand"
        yield source.problem(key, f"{dotted(key)}: beside file {only}", key=True)


def dotted(where: Where) -> str:
    """A place for messages: ``supply.commands``."""
    return ".".join(str(part) for part in where)


def _value(source: Source, at: Where) -> object:
    here: Any = source.data
    for part in at:
        here = here[part]
    return here
