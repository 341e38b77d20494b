"""The seeded defects, by topic."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from hil.core.alike import alike, nearest
from hil.twin.defects.control import CONTROL
from hil.twin.defects.kinds import Defect
from hil.twin.defects.protection import PROTECTION
from hil.twin.defects.telling import TELLING

#: Every defect by name, in the order of their topics.
DEFECTS: dict[str, Defect] = {one.name: one for one in (*CONTROL, *PROTECTION, *TELLING)}
if len(DEFECTS) != len(CONTROL) + len(PROTECTION) + len(TELLING):
    raise AssertionError("two defects have the same name")


def defect(name: str, known: Mapping[str, Defect] = DEFECTS) -> Defect:
    """The defect of that name, of the reference firmware if no other ones are handed in.

    Raises
    ------
    ValueError
        If there is none, with what may have been meant.
    """
    if name not in known:
        hint = nearest(name, known) if alike(name, known) else f"; there are {len(known)} others"
        raise ValueError(f"no defect is called {name!r}{hint}")
    return known[name]


def select(
    names: Iterable[str] = (),
    tags: Iterable[str] = (),
    known: Mapping[str, Defect] = DEFECTS,
) -> tuple[Defect, ...]:
    """Defects of these names, or all that have one of these tags, or all.

    Raises
    ------
    ValueError
        For a name that there is not.
    """
    wanted, marked = list(names), set(tags)
    if wanted or marked:
        named = {name: defect(name, known) for name in wanted}
        found = {one.name: one for one in known.values() if marked & set(one.tags)}
        return tuple((named | found).values())
    return tuple(known.values())
