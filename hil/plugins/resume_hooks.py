"""``--hil-resume=RUN``: goes on with an interrupted run in its own folder.

What has a verdict is deselected, and said so; everything else of the run is run. What was collected
and was no part of the run stays out of it.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from hil.plugins.items import item_id, on_bench
from hil.plugins.keys import RESUME
from hil.plugins.options import bench_options
from hil.plugins.resume import Resume

ALONE = (
    "--hil-resume goes on with one run folder in one process: leave -n out (each folder of a run "
    "with -n is a run of its own)"
)


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
        try:
            record = folder.read()
            refuse_if_over(record)
        except BaseException:
            folder.close()  # else its lock stays until this process ends
            raise
    except HilError as error:
        raise pytest.UsageError(str(error)) from error
    found = {item_id(item): item for item in items if on_bench(item)}
    if missing := [name for name in record.start.items if name not in found]:
        folder.close()
        raise pytest.UsageError(_not_collected(path, missing, len(record.start.items)))
    left = remaining(record)
    planned = set(record.start.items)
    run = [item for item in items if item_id(item) in left.again and item_id(item) in found]
    if dropped := [item for item in items if item not in run]:
        config.hook.pytest_deselected(items=dropped)
    items[:] = run
    config.stash[RESUME] = Resume(
        folder,
        record,
        left,
        tuple(found[name] for name in record.start.items),
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
