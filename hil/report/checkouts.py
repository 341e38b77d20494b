"""State of the repositories that input files come from, in words."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import asdict
from typing import Any

from hil.core.count import many
from hil.core.record import Checkout
from hil.report.omitted import few

#: Stands where a record has nothing of it: an earlier version made it.
NOT_RECORDED = "not recorded"


def checkout_lines(checkouts: Sequence[Checkout]) -> Iterator[str]:
    """One line a repository, and one for files that are in none."""
    if not checkouts:
        yield NOT_RECORDED
    for one in checkouts:
        yield f"{many(len(one.files), 'file')} of {_state(one)}" if one.commit else _unknown(one)


def doubtful_lines(checkouts: Sequence[Checkout]) -> Iterator[str]:
    """Those of them that do not tell by a commit alone what was run."""
    for one, line in zip(checkouts, checkout_lines(checkouts), strict=bool(checkouts)):
        if one.dirty or not one.commit:
            yield line


def checkout_facts(one: Checkout) -> dict[str, Any]:
    """One as JSON data."""
    found = asdict(one) | {"dirty": one.dirty}
    return {name: list(v) if isinstance(v, tuple) else v for name, v in found.items()}


def _state(one: Checkout) -> str:
    if not one.dirty:
        return f"commit {one.commit}, all as committed"
    parts = [f"not as committed: {few(one.changed)}"] if one.changed else []
    if one.others:
        others = many(one.others, "other file")
        parts.append(f"{others} of the repository changed")
    return f"commit {one.commit}, DIRTY ({'; '.join(parts)})"


def _unknown(one: Checkout) -> str:
    return f"commit not known of {few(one.files)}: {one.why}"
