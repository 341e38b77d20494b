"""Trials of the search on generated histories: a few real ones, and what is made of many."""

from __future__ import annotations

import json
import sys
from types import SimpleNamespace

import pytest

from ci import bisecting_trials
from ci.bisecting_trials import SHOWN, Trial, summary, trial
from hil.measures.catalogue import definitions
from hil.scenarios.campaign_task import items_of
from hil.twin.defects import DEFECTS
from hil.twin.library import compiler


def made(number: int = 0, first_bad: int = 5, *, right: bool, outcome: str = "found") -> Trial:
    return Trial(
        number, "x", "i", "m", first_bad, outcome, 5, 5, 0.99, right, 20, 9, 0, 22.0, 200.0, 1.0
    )


def test_every_defect_is_looked_for_where_it_can_be_seen() -> None:
    items = items_of(str(bisecting_trials.PLAN), str(bisecting_trials.RIG))
    for name, (item, measure) in SHOWN.items():
        assert name in DEFECTS
        assert not measure or measure in definitions(items[item].kind)
    assert sum(not measure for _, measure in SHOWN.values()) >= 5


@pytest.mark.skipif(compiler() is None, reason="no C compiler on this machine")
@pytest.mark.parametrize("number", [0, sorted(SHOWN).index("hall-code-missing")])
def test_a_small_history_is_searched_for_real(number: int) -> None:
    found = trial(number, seed=5, versions=12, risk=0.05, changed=True)
    assert found.right
    assert found.defect == sorted(SHOWN)[number]
    assert found.runs < 50
    assert trial(number, 5, 12, 0.05, changed=True).runs == found.runs  # the same for one seed


def test_shares_have_exact_intervals() -> None:
    trials = [made(n, right=n < 18) for n in range(20)]
    told = summary([*trials, made(first_bad=0, right=True, outcome="no-change")], 0.05)
    assert (told["trials"], told["right"], told["wrong_build_named"]) == (20, 18, 2)
    # Clopper-Pearson for 18 of 20: 0.6830 to 0.9877 (any table of exact binomial limits).
    assert told["right_interval_95"] == pytest.approx((0.6830, 0.9877), abs=1e-4)
    assert (told["unchanged"], told["false_alarms"]) == (1, 0)
    assert told["mean_runs"] == 20.0


@pytest.mark.parametrize(("wrong", "code"), [(1, None), (2, 1)])
def test_fewer_right_than_the_risk_allows_is_a_failure(monkeypatch, tmp_path, wrong, code) -> None:
    class Pool:
        def __init__(self, _jobs) -> None: ...
        def __enter__(self):
            return self

        def __exit__(self, *_error) -> None: ...
        def imap_unordered(self, _run, tasks):
            return [made(n, right=n >= wrong) for n, *_ in tasks]

    context = SimpleNamespace(Pool=Pool)
    monkeypatch.setattr(bisecting_trials.multiprocessing, "get_context", lambda _how: context)
    out = tmp_path / "trials.json"
    monkeypatch.setattr(sys, "argv", ["trials", "--trials", "20", "--json", str(out)])
    if code is None:
        bisecting_trials.main()
    else:
        with pytest.raises(SystemExit) as left:
            bisecting_trials.main()
        assert left.value.code == code
    content = json.loads(out.read_text())
    assert content["right"] == 20 - wrong
    assert len(content["rows"]) == 20
