"""A run that goes on: its folder, what is left of it, and what to say of it."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import pytest

from hil.plugins.in_force import BenchOptions, Given

if TYPE_CHECKING:
    from hil.store.folder import RunFolder
    from hil.store.reading import RunRecord
    from hil.store.resuming import Remaining


@dataclass(frozen=True)
class Resume:
    """A run to go on with.

    Parameters
    ----------
    folder : locked for this process, and unchanged until the first entry is written.
    items : all items of the run, collected again, in the order of the run.
    left_out : how many collected items were no part of the run.
    """

    folder: RunFolder
    record: RunRecord
    left: Remaining
    items: tuple[pytest.Item, ...]
    left_out: int = 0

    @property
    def failed(self) -> bool:
        """Whether a verdict that stands makes the whole run fail."""
        return any(verdict.value != "pass" for verdict in self.left.counts)

    def seeded(self, options: BenchOptions) -> BenchOptions:
        """The options with the seed of the run."""
        seed = self.record.start.seed
        settings = tuple(
            Given("seed", str(seed), "the run that is resumed") if one.name == "seed" else one
            for one in options.settings
        )
        return replace(options, seed=seed, settings=settings)

    def lines(self, *, each: bool) -> Iterator[str]:
        """What to say before the first item; `each`: also every item that is kept."""
        yield f"resumes {self.folder.path}"
        yield f"  {self.left}"
        if self.left_out:
            yield f"not part of that run and left out: {self.left_out} collected items"
        if each:
            for item, result in self.left.kept.items():
                yield f"  kept: {result.verdict.value:<12} {item}"
