"""A search that is driven: builds are made when they are needed, and it goes on after any end."""

from __future__ import annotations

import contextlib

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from hil.core.errors import BenchError, LinkError
from hil.scenarios.bisect import PATIENCE, Event, Journal, Outcome, Visit, find
from hil.verdicts.bisection import Search

LAST, FIRST_BAD = 40, 23


class Killed(BaseException):
    """As SIGKILL: nothing after it happens."""


class PretendedBench:
    """Values by build and number of the run, as a seeded simulation gives them."""

    def __init__(self, broken=(), faults=(), killed_at=None) -> None:
        self.made: list[int] = []
        self.ran: list[tuple[int, int]] = []
        self.broken, self.faults, self.killed_at = set(broken), list(faults), killed_at

    def _tick(self) -> None:
        if self.killed_at is not None:
            if self.killed_at == 0:
                raise Killed
            self.killed_at -= 1

    def prepare(self, build: int) -> str:
        self._tick()
        self.made.append(build)
        return "make: exit code 2" if build in self.broken else ""

    def run(self, build: int, number: int) -> Event:
        self._tick()
        assert self.made[-1] == build
        if number in self.faults:
            self.faults.remove(number)
            raise LinkError("nobody answers")
        self.ran.append((build, number))
        rng = np.random.default_rng([build, number])
        return Event(build, (float(rng.normal(4.0 * (build >= FIRST_BAD))),), folder=f"r{number}")


def test_builds_are_made_once_a_visit_and_runs_are_numbered(tmp_path) -> None:
    bench, visits = PretendedBench(), []
    with Journal(tmp_path / "state", {}) as journal:
        found = find(Search(LAST), journal, bench, visits.append)
    assert (found.outcome, found.first, found.last) == (Outcome.FOUND, FIRST_BAD, FIRST_BAD)
    assert [number for _, number in bench.ran] == list(range(found.runs))
    assert [visit.build for visit in visits] == bench.made
    assert sum(len(visit.values) for visit in visits) == found.runs
    assert visits[0].behind is None
    assert visits[-1].behind is not None
    assert all(isinstance(visit, Visit) for visit in visits)


@settings(
    max_examples=25, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(kills=st.lists(st.integers(0, 25), max_size=6), broken=st.sets(st.integers(1, LAST - 1)))
def test_killed_at_any_moment_it_comes_to_the_same_end(tmp_path, kills, broken) -> None:
    path = tmp_path / "state"
    path.unlink(missing_ok=True)
    with Journal(tmp_path / "whole", {"broken": sorted(broken)}) as journal:
        whole = find(Search(LAST), journal, PretendedBench(broken))
    (tmp_path / "whole").unlink()
    for kill in kills:
        with Journal(path, {}) as journal, contextlib.suppress(Killed):
            find(Search(LAST), journal, PretendedBench(broken, killed_at=kill))
    bench = PretendedBench(broken)
    with Journal(path, {}) as journal:
        kept = len(journal.events)
        found = find(Search(LAST), journal, bench)
    assert repr(found) == repr(whole)  # NaN and all
    assert (
        len(bench.ran) + sum(b in broken for b in bench.made) + kept
        == sum(1 for _ in path.read_text().splitlines()) - 1
    )


def test_a_build_that_cannot_be_made_is_skipped_and_not_tried_again(tmp_path) -> None:
    bench, visits = PretendedBench(broken={FIRST_BAD - 1}), []
    with Journal(tmp_path / "state", {}) as journal:
        found = find(Search(LAST), journal, bench, visits.append)
    assert (found.first, found.last) == (FIRST_BAD - 1, FIRST_BAD)
    assert bench.made.count(FIRST_BAD - 1) == 1
    assert [v.skipped for v in visits if v.build == FIRST_BAD - 1] == ["make: exit code 2"]


def test_a_bench_fault_now_and_then_costs_a_run_and_no_more(tmp_path) -> None:
    bench = PretendedBench(faults=[0, 5, 5, 14])
    with Journal(tmp_path / "state", {}) as journal:
        found = find(Search(LAST), journal, bench)
    assert (found.first, found.last) == (FIRST_BAD, FIRST_BAD)
    assert [number for _, number in bench.ran] == list(range(found.runs))


def test_a_bench_that_stays_at_fault_ends_it_and_it_can_go_on(tmp_path) -> None:
    with Journal(tmp_path / "state", {}) as journal, pytest.raises(LinkError, match="nobody"):
        find(Search(LAST), journal, PretendedBench(faults=[9] * PATIENCE))
    with Journal(tmp_path / "state", {}) as journal:
        assert len(journal.events) == 9
        assert find(Search(LAST), journal, PretendedBench()).first == FIRST_BAD


def test_an_end_that_cannot_be_made_is_no_answer(tmp_path) -> None:
    with Journal(tmp_path / "state", {}) as journal:
        found = find(Search(LAST), journal, PretendedBench(broken={LAST}))
    assert found.outcome is Outcome.NO_END


def test_a_journal_of_other_steps_is_refused(tmp_path) -> None:
    with Journal(tmp_path / "state", {}) as journal:
        journal.add(Event(17, (1.0,)))
    with (
        Journal(tmp_path / "state", {}) as journal,
        pytest.raises(BenchError, match="holds a run of build 17 where build 0 is next"),
    ):
        find(Search(LAST), journal, PretendedBench())
