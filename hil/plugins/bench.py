"""Fixtures for scenarios written in Python: the opened rig, and a script to drive it with.

pytestmark = pytest.mark.hil(rig="rigs/dosing-pump.yaml")    # relative to the test file

def test_dose(hil_script):
    hil_script.prepare(voltage=24.0, sensing="hall")
    measured = hil_script.start(2000.0)
    hil_script.judge(measured["time-to-speed"], high=1.5)
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from hil.plugins.options import bench_options
from hil.plugins.plans import PlanItem, load_rig_once

if TYPE_CHECKING:
    from hil.bench.bench import Bench
    from hil.plan.rig import Rig
    from hil.scenarios.script import Script


def item_id(item: pytest.Item) -> str:
    """Id of a bench item, ``[a-z0-9._-]`` only: the planned id, or made from the test's name."""
    if isinstance(item, PlanItem):
        return item.name
    module = item.path.name.removesuffix(".py")
    return re.sub(r"[^a-z0-9._-]+", "-", f"{module}.{item.name}".lower()).strip("-.")


def rig_of(item: pytest.Item) -> tuple[Rig, Path]:
    """The rig an item runs on, and its file.

    Raises
    ------
    pytest.UsageError
        If a Python scenario names none and ``--hil-rig`` is not given.
    """
    if isinstance(item, PlanItem):
        return item.rig, item.rig_file
    given = bench_options(item.config).rig
    mark = item.get_closest_marker("hil")
    if given:
        path = Path(given)
    elif mark is not None and "rig" in mark.kwargs:
        path = item.path.parent / str(mark.kwargs["rig"])
    else:
        raise pytest.UsageError(
            f'{item.nodeid}: names no rig; mark it pytest.mark.hil(rig="...") or give --hil-rig'
        )
    from hil.core.errors import HilError

    try:
        return load_rig_once(path.resolve()), path.resolve()
    except HilError as error:
        raise pytest.UsageError(str(error)) from error


@pytest.fixture
def hil_bench(request: pytest.FixtureRequest) -> Iterator[Bench]:
    """The opened rig (`hil.bench.bench.Bench`), made safe afterwards whatever happens."""
    from hil.plugins.run import RUN

    run = request.config.stash[RUN]
    name = item_id(request.node)
    with run.bench(name) as bench:
        run.begin_item(name)
        try:
            yield bench
        finally:
            for problem in bench.make_safe():
                run.note(problem, item=name, level="error")


@pytest.fixture
def hil_script(hil_bench: Bench, request: pytest.FixtureRequest) -> Iterator[Script]:
    """Manoeuvres and primitive steps to combine freely; what it judges decides the test."""
    from hil.core.verdict import Verdict
    from hil.plugins.run import RUN, record_script
    from hil.scenarios.script import Script

    run = request.config.stash[RUN]
    script = Script(hil_bench, run.rig)
    yield script
    for problem in hil_bench.make_safe():
        run.note(problem, item=item_id(request.node), level="error")
    verdict = record_script(run, item_id(request.node), request.node, script)
    if verdict is not Verdict.PASS and not request.node.stash.get(FAILED, False):
        reasons = [j.reason for j in script.judgements if j.verdict is not Verdict.PASS]
        pytest.fail(f"{verdict.value}: {'; '.join(reasons)}", pytrace=False)


FAILED = pytest.StashKey[bool]()


@pytest.hookimpl(wrapper=True)
def pytest_runtest_call(item: pytest.Item) -> Iterator[None]:
    """Keep the error of a Python scenario for its record."""
    try:
        return (yield)
    except BaseException as error:
        if "hil_script" in getattr(item, "fixturenames", ()):
            from hil.plugins.run import OUTCOME

            item.stash[FAILED], item.stash[OUTCOME] = True, error
        raise
