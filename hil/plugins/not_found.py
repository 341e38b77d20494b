"""What may have been meant by the name of an item that its plan does not have."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from pathlib import Path

from hil.core.alike import alike


def suggestions(
    arguments: Iterable[str], folder: Path, planned: Mapping[Path, Iterable[str]]
) -> Iterator[str]:
    """A line for each ``PLAN::ITEM`` among the arguments whose item is not `planned`.

    Parameters
    ----------
    folder : what paths are relative to.
    planned : plan file -> the items that were collected from it.
    """
    for argument in arguments:
        file, _, item = argument.partition("::")
        known = list(planned.get((folder / file).resolve(), ()))
        if not item or not known or item in known:
            continue
        if found := alike(item, known):
            yield f"{item}: did you mean {' or '.join(found)}?"
        else:
            yield f"{item}: the {len(known)} items of {file} are named by --collect-only -q"
