"""The seeded defects, by topic."""

from __future__ import annotations

from collections.abc import Iterable

from hil.twin.defects.control import CONTROL
from hil.twin.defects.kinds import Defect
from hil.twin.defects.protection import PROTECTION
from hil.twin.defects.telling import TELLING

#: Every defect by name, in the order of their topics.
DEFECTS: dict[str, Defect] = {one.name: one for one in (*CONTROL, *PROTECTION, *TELLING)}
if len(DEFECTS) != len(CONTROL) + len(PROTECTION) + len(TELLING):
    raise AssertionError("two defects have the same name")


def defect(name: str) -> Defect:
    """The defect of that name.

    Raises
    ------
    ValueError
        If there is none, with the names that begin alike.
    """
    if name not in DEFECTS:
        alike = [known for known in DEFECTS if known.partition("-")[0] == name.partition("-")[0]]
        raise ValueError(
            f"no defect is called {name!r}; there are {', '.join(alike or list(DEFECTS))}"
        )
    return DEFECTS[name]


def select(names: Iterable[str] = (), tags: Iterable[str] = ()) -> tuple[Defect, ...]:
    """Defects of these names, or all that have one of these tags, or all.

    Raises
    ------
    ValueError
        For a name that there is not.
    """
    wanted, marked = list(names), set(tags)
    if wanted or marked:
        named = {name: defect(name) for name in wanted}
        found = {one.name: one for one in DEFECTS.values() if marked & set(one.tags)}
        return tuple((named | found).values())
    return tuple(DEFECTS.values())
