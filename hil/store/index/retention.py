"""Rules of retention carried out on all runs that lie below the roots."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from hil.core.errors import StoreError
from hil.store.index.index import Index
from hil.store.index.rows import PRESENT
from hil.store.reading import RECORD
from hil.store.thinning import Rule, Thinned, thin_run


def retain(
    index: Index, roots: Sequence[Path], rules: Sequence[Rule], now: str | None = None
) -> list[Thinned]:
    """Apply the rules to every indexed run below the roots that is as it was indexed.

    The index takes in what the records gained by it. Runs to which nothing was done are left out
    of the answer; one that cannot be written is in it, with the reason.
    """
    within = [root.resolve() for root in roots]
    found = []
    for row in index.runs():
        path = Path(row.path)
        below = any(path.is_relative_to(root) for root in within)
        if row.state != PRESENT or not below or not (path / RECORD).is_file():
            continue
        for rule in rules:
            try:
                done = thin_run(path, rule, now)
            except StoreError as problem:
                done = Thinned(run=row.run, path=row.path, troubles=(str(problem),))
            if done.files:
                index.add(path)
            if done.files or done.troubles:
                found.append(done)
    return found
