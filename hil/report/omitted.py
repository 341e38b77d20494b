"""Planned items that are in no part of a run, in words."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from hil.core.record import DESELECTED, Omitted

#: So many items are named in one sentence.
NAMED = 4


def omitted_lines(omitted: Sequence[Omitted], taken: int) -> Iterator[str]:
    """One line for each reason: how many of all planned items, and the first of them.

    Parameters
    ----------
    taken : items that are in the run.
    """
    planned = taken + sum(len(one.items) for one in omitted)
    reasons: dict[str, list[str]] = {}
    for one in omitted:
        reasons.setdefault(one.why, []).extend(one.items)
    for why, items in reasons.items():
        said = why if why == DESELECTED else f"left out, {why}"
        yield f"{said}: {len(items)} of {planned} planned items are not in this run: {few(items)}"


def few(names: Sequence[str]) -> str:
    """The first few names, and how many more there are."""
    more = f", and {len(names) - NAMED} more" if len(names) > NAMED else ""
    return ", ".join(names[:NAMED]) + more
