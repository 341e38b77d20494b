"""``--hil-resume=RUN``: goes on with an interrupted run in its own folder.

What has a verdict is deselected, and said so; everything else of the run is run. What was collected
and was no part of the run stays out of it.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from hil.plugins.bench import item_id, uses_bench
from hil.plugins.options import BenchOptions, bench_options
from hil.plugins.plans import PlanItem

if TYPE_CHECKING:
    from hil.store.folder import RunFolder
    from hil.store.reading import RunRecord
    from hil.store.resuming import Remaining

ALONE = (
    "--hil-resume goes on with one run folder in one process: leave -n out (each folder of a run "
    "with -n is a run of its own)"
)


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

    def options(self, config: pytest.Config) -> BenchOptions:
        """Those in force; the seed is that of the run unless the command line says another."""
        from dataclasses import replace

        options = bench_options(config)
        if config.getoption("hil_seed") is None:
            options = replace(options, seed=self.record.start.seed)
        return options

    def lines(self, *, each: bool) -> Iterator[str]:
        """What to say before the first item; `each`: also every item that is kept."""
        yield f"resumes {self.folder.path}"
        yield f"  {self.left}"
        if self.left_out:
            yield f"not part of that run and left out: {self.left_out} collected items"
        if each:
            for item, result in self.left.kept.items():
                yield f"  kept: {result.verdict.value:<12} {item}"


RESUME = pytest.StashKey[Resume]()


def pytest_configure(config: pytest.Config) -> None:
    """Refuse what cannot go together."""
    if hasattr(config, "workerinput") or config.getoption("numprocesses", None):
        raise pytest.UsageError(ALONE)


@pytest.hookimpl(trylast=True)
def pytest_collection_modifyitems(
    session: pytest.Session, config: pytest.Config, items: list[pytest.Item]
) -> None:
    """Leave what is still to be run."""
    if session.testsfailed and not config.option.continue_on_collection_errors:
        return  # a file is wrong: pytest says so, and runs nothing
    path = bench_options(config).resume
    assert path is not None  # else this plugin is not registered
    from hil.core.errors import HilError
    from hil.store.folder import RunFolder
    from hil.store.reading import read
    from hil.store.resuming import refuse_if_over, remaining

    try:
        refuse_if_over(read(path))
        folder = RunFolder.reopen(path)
        record = folder.read()
        refuse_if_over(record)
    except HilError as error:
        raise pytest.UsageError(str(error)) from error
    on_bench = {item_id(i): i for i in items if isinstance(i, PlanItem) or uses_bench(i)}
    if missing := [name for name in record.start.items if name not in on_bench]:
        folder.close()
        raise pytest.UsageError(_not_collected(path, missing, len(record.start.items)))
    left = remaining(record)
    planned = set(record.start.items)
    run = [item for item in items if item_id(item) in left.again and item_id(item) in on_bench]
    if dropped := [item for item in items if item not in run]:
        config.hook.pytest_deselected(items=dropped)
    items[:] = run
    config.stash[RESUME] = Resume(
        folder,
        record,
        left,
        tuple(on_bench[name] for name in record.start.items),
        sum(item_id(item) not in planned for item in dropped),
    )
    if config.option.collectonly:
        folder.close()


def _not_collected(path: Path, missing: list[str], planned: int) -> str:
    names = ", ".join(missing[:3]) + (", ..." if len(missing) > 3 else "")
    return (
        f"{path} cannot be resumed: {len(missing)} of its {planned} items are not among those "
        f"collected ({names}); name the same plans and leave -k, -m and --lf out"
    )


def pytest_report_collectionfinish(config: pytest.Config) -> list[str]:
    """Say what is kept and what is run."""
    resume = config.stash.get(RESUME, None)
    return [] if resume is None else list(resume.lines(each=config.option.verbose > 0))


def pytest_unconfigure(config: pytest.Config) -> None:
    """Let go of the folder, whatever became of the session."""
    resume = config.stash.get(RESUME, None)
    if resume is not None:
        resume.folder.close()
