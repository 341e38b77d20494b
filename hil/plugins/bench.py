"""Fixtures for scenarios written in Python: the opened rig, and a script to drive it with.

pytestmark = pytest.mark.hil(rig="rigs/dosing-pump.yaml")    # relative to the test file

def test_dose(hil_script):
    hil_script.prepare(voltage=24.0, sensing="hall")
    measured = hil_script.start(2000.0)
    hil_script.judge(measured["time-to-speed"], high=1.5)
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

import pytest

from hil.plugins.items import item_id, uses_bench
from hil.plugins.keys import CAME_TO, INTERRUPTED, OUTCOME, RUN, SCRIPT
from hil.plugins.options import bench_options
from hil.plugins.plans import ONE_PROCESS
from hil.plugins.terminations import INTERRUPTS, interruption

if TYPE_CHECKING:
    from hil.bench.bench import Bench
    from hil.core.verdict import Verdict
    from hil.scenarios.script import Script

#: How pytest-timeout words its failures.
TIME_LIMIT = "from pytest-timeout"


@pytest.fixture
def hil_bench(request: pytest.FixtureRequest) -> Iterator[Bench]:
    """The opened rig (`hil.bench.bench.Bench`), made safe afterwards whatever happens."""
    if hasattr(request.config, "workerinput") and bench_options(request.config).pool is None:
        from hil.core.errors import ScenarioError

        raise ScenarioError(ONE_PROCESS)
    from hil.plugins.python_scenario import python_scenario

    with python_scenario(request.config.stash[RUN], item_id(request.node), request.node) as bench:
        yield bench


@pytest.fixture
def hil_script(hil_bench: Bench, request: pytest.FixtureRequest) -> Script:
    """Manoeuvres and primitive steps to combine freely; what it judges decides the test."""
    from hil.scenarios.script import Script

    script = Script(hil_bench, request.config.stash[RUN].rig)
    request.node.stash[SCRIPT] = script
    return script


@pytest.hookimpl(wrapper=True)
def pytest_runtest_setup(item: pytest.Item) -> Iterator[None]:
    """Keep why a Python scenario could not begin, for its record."""
    try:
        return (yield)
    except (Exception, pytest.skip.Exception, pytest.fail.Exception) as error:
        if uses_bench(item):
            _keep(item, error)
            if (run := item.config.stash.get(RUN, None)) is not None:
                from hil.plugins.python_scenario import leave_out_unless_begun

                leave_out_unless_begun(run, item_id(item), item)
            _tell_in_one_line(item, error)
        raise


@pytest.hookimpl(wrapper=True)
def pytest_runtest_call(item: pytest.Item) -> Iterator[None]:
    """Conclude a Python scenario: a band that did not hold fails its test."""
    if not uses_bench(item):
        return (yield)
    from hil.core.verdict import Verdict

    try:
        result = yield
    except INTERRUPTS as error:
        item.stash[CAME_TO] = Verdict.NOT_RUN, interruption(error)
        item.stash[INTERRUPTED] = True
        raise
    except BaseException as error:  # pytest's own outcomes are no `Exception`
        verdict, reason = _keep(item, error)
        if verdict is Verdict.NOT_RUN and not isinstance(error, pytest.skip.Exception):
            pytest.skip(f"not run: {reason}")
        _tell_in_one_line(item, error)
        raise
    verdict, reason = _keep(item, None)
    if verdict is not Verdict.PASS:
        pytest.fail(reason, pytrace=False)
    return result


def _tell_in_one_line(item: pytest.Item, error: BaseException) -> None:
    """What a test asks for and cannot have is told by its own line; what is inside helps nobody."""
    from hil.core.errors import ScenarioError

    if isinstance(error, ScenarioError):
        raise pytest.fail.Exception(item.stash[CAME_TO][1], pytrace=False) from None


def _keep(item: pytest.Item, error: BaseException | None) -> tuple[Verdict, str]:
    from hil.core.errors import BenchError, HilError
    from hil.core.verdict import Verdict
    from hil.plugins.own_assertions import asserts
    from hil.plugins.place import place_of
    from hil.scenarios.execute import cause_of
    from hil.scenarios.result import conclude_script

    script = item.stash.get(SCRIPT, None)
    if isinstance(error, pytest.skip.Exception):
        came_to = Verdict.NOT_RUN, f"skipped: {error}"
    else:
        if limited := isinstance(error, pytest.fail.Exception) and TIME_LIMIT in str(error):
            error = BenchError(str(error))  # a time limit says nothing about the firmware
        asserted = isinstance(error, AssertionError | pytest.fail.Exception)
        judgements = script.judgements if script is not None else []
        where = "" if error is None else place_of(error, item)
        bench = getattr(item, "funcargs", {}).get("hil_bench")  # of a test function
        if isinstance(error, HilError) and bench is not None:
            error = cause_of(error, bench)
        came_to = conclude_script(
            judgements,
            error,
            asserted=asserted,
            asserts=error is None and not judgements and asserts(item),
            where=where,
            doubts=script.doubts() if script is not None else (),
        )
        if limited:
            error = KeyboardInterrupt(str(error))  # as for an interrupt: open the bench anew
    if error is not None:
        item.stash[OUTCOME] = error
    item.stash[CAME_TO] = came_to
    return came_to
