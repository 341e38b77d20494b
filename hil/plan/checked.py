"""A file read, made a model of, and refused with everything that speaks against it at once."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from pathlib import Path

from hil.plan.explain import ModelT, validate
from hil.plan.reader import read
from hil.plan.recognise import require_kind
from hil.plan.source import Problem, Source, Where, place, refuse


def read_checked(
    model: type[ModelT],
    path: Path | str,
    check: Callable[[ModelT, Source], Iterable[Problem]],
    *,
    kind: str = "",
) -> ModelT:
    """The model of a file of a `kind` of `hil.plan.recognise` of which `check` finds nothing wrong.

    Raises
    ------
    PlanError
        With file, line and column of every problem.
    """
    source = read(Path(path))
    if kind:
        require_kind(source, kind)
    found = validate(model, source)
    refuse_if_any(check(found, source))
    return found


def refuse_if_any(problems: Iterable[Problem]) -> None:
    """Raise `PlanError` with all of them, if there are any."""
    if found := list(problems):
        raise refuse(found)


def at_places(source: Source, complaints: Iterable[tuple[Where, str]]) -> Iterator[Problem]:
    """Complaints that name a place, as problems that say where in the file it is."""
    return (source.problem(where, text) for where, text in complaints)


def repeated(
    source: Source, at: Where, key: str, values: Sequence[str | None]
) -> Iterator[Problem]:
    """A problem for each entry of the list at `at` whose `key` has the value of an earlier one.

    None stands for an entry that is wrong in another way.
    """
    lines: dict[str, int] = {}
    for number, value in enumerate(values):
        if value is None:
            continue
        where = (*at, number, key)
        if value in lines:
            said = f"{place(where)}: {value!r} stands already at line {lines[value]}"
            yield source.problem(where, said)
        lines.setdefault(value, source.position(where).line)
