"""The search for the first bad build: right within its stated risk, whatever the scatter."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from hil.verdicts.bisection import Search, _information
from hil.verdicts.bisection_finding import Outcome
from hil.verdicts.samples import lower_bound

NAN = float("nan")
Draw = Callable[[np.random.Generator, bool], float]

#: Name -> (rate?, value of a run before or behind the change). Shapes that results of a bench have.
WORLDS: dict[str, tuple[bool, Draw]] = {
    "normal, wide apart": (False, lambda r, bad: r.normal(6.0 * bad, 1.0)),
    "normal, three scatters": (False, lambda r, bad: r.normal(3.0 * bad, 1.0)),
    "no scatter at all": (False, lambda _r, bad: 1.0 * bad),
    "skewed": (False, lambda r, bad: float(np.exp(r.normal(1.5 * bad, 0.7)))),
    "two humps": (False, lambda r, bad: 5.0 * (r.random() < 0.3) + 3 * bad + r.normal(0, 0.3)),
    "stray values": (
        False,
        lambda r, bad: r.normal(3.0 * bad, 1.0) if r.random() > 0.05 else r.normal(0.0, 30.0),
    ),
    "rounded": (False, lambda r, bad: float(np.round(r.normal(2.0 * bad, 0.6)))),
    "no value any more": (False, lambda r, bad: NAN if bad else r.normal(0.0, 1.0)),
    "more scatter": (False, lambda r, bad: r.normal(2.0 * bad, 1.0 + 3.0 * bad)),
    "passes, then fails": (True, lambda _r, bad: float(not bad)),
    "fails now and then": (True, lambda r, bad: float(r.random() < (0.3 if bad else 0.95))),
}


def search_for(first_bad: int, draw: Draw, rng: np.random.Generator, search: Search) -> Search:
    while (build := search.next()) is not None:
        search.observe(build, [draw(rng, build >= first_bad)])
    return search


@pytest.mark.parametrize("name", WORLDS)
def test_the_named_build_is_right_within_the_stated_risk(name: str) -> None:
    """60 searches: the exact bound must not prove the search worse than its risk of 5 %."""
    rate, draw = WORLDS[name]
    rng = np.random.default_rng(7)
    right = named = 0
    for _ in range(60):
        first_bad = int(rng.integers(1, 201))
        found = search_for(first_bad, draw, rng, Search(200, rate=rate)).finding()
        if found.outcome is Outcome.FOUND:
            named += 1
            right += found.first == first_bad == found.last
            assert found.probability >= 0.95
    assert named >= 40
    # With 99.9 % confidence no fewer than 95 % are right, unless this many were wrong.
    assert lower_bound(named - right, named, 0.999) <= 0.05


def test_the_error_stays_below_the_risk_over_many_searches() -> None:
    """600 searches of the likeliest kind: shown, with an upper bound below the stated 5 %."""
    rng = np.random.default_rng(11)
    draw = WORLDS["normal, three scatters"][1]
    wrong = 0
    for _ in range(600):
        first_bad = int(rng.integers(1, 65))
        found = search_for(first_bad, draw, rng, Search(64)).finding()
        wrong += not found.first <= first_bad <= found.last
    assert 1.0 - lower_bound(600 - wrong, 600, 0.95) < 0.05


def test_it_takes_far_fewer_runs_than_trying_each_build_in_turn() -> None:
    rng = np.random.default_rng(3)
    draw = WORLDS["normal, wide apart"][1]
    runs, linear, expected = [], [], []
    for _ in range(40):
        search = search_for(int(rng.integers(1, 201)), draw, rng, Search(200))
        runs.append(search.total)
        linear.append(search.finding().linear)
        assert search.expected is not None
        expected.append(search.expected)
    assert np.mean(runs) < 40
    assert np.mean(linear) > 100
    # What is said after the ends is about what it takes.
    assert np.mean(expected) == pytest.approx(np.mean(runs), rel=0.25)


def test_a_larger_scatter_makes_more_repeats() -> None:
    repeats = []
    for apart in (8.0, 1.6):
        rng, counts = np.random.default_rng(5), []
        for _ in range(20):
            search = search_for(
                int(rng.integers(1, 101)),
                lambda r, bad, apart=apart: r.normal(apart * bad, 1.0),
                rng,
                Search(100),
            )
            counts.append(sum(len(v) for b, v in search.runs.items() if b not in (0, 100)))
        repeats.append(np.mean(counts))
    assert repeats[1] > 1.5 * repeats[0]


@pytest.mark.parametrize("rate", [False, True])
def test_a_change_that_is_not_there_is_found_out(rate: bool) -> None:
    rng = np.random.default_rng(2)
    said = []
    for _ in range(100):
        search = Search(50, rate=rate)
        draw: Draw = (lambda r, _b: float(r.random() < 0.6)) if rate else (lambda r, _b: r.normal())
        found = search_for(25, draw, rng, search).finding()
        said.append(found.outcome)
        if found.outcome is Outcome.NO_CHANGE:
            assert (found.first, found.last, found.probability) == (0, 0, 0.0)
            assert found.runs == 60
            assert found.builds == 2
            if not rate:
                assert found.high - found.low < 2.0
    assert lower_bound(100 - said.count(Outcome.NO_CHANGE), 100, 0.999) <= 0.05


def test_builds_that_cannot_be_made_turn_the_answer_into_a_range() -> None:
    rng = np.random.default_rng(4)
    broken = set(range(60, 71))
    search = Search(100)
    tried = []
    while (build := search.next()) is not None:
        if build in broken:
            search.skip(build)
            tried.append(build)
        else:
            search.observe(build, [rng.normal(8.0 * (build >= 65), 1.0)])
    found = search.finding()
    assert (found.outcome, found.first, found.last) == (Outcome.FOUND, 60, 71)
    assert found.probability > 0.95
    assert set(tried) == broken  # otherwise the range could be narrower


def test_it_jumps_away_from_builds_that_cannot_be_made() -> None:
    search = Search(100)
    broken, skips = range(40, 61), 0
    while (build := search.next()) is not None:
        if build in broken:
            search.skip(build)
            skips += 1
        else:
            search.observe(build, [1.0 * (build >= 80)])
    assert (search.finding().first, search.finding().last) == (80, 80)
    assert skips <= 5


@pytest.mark.parametrize("end", [0, 10])
def test_an_end_that_cannot_be_made_ends_it(end: int) -> None:
    search = Search(10)
    while (build := search.next()) is not None:
        if build == end:
            search.skip(build)
        else:
            search.observe(build, [1.0])
    assert search.finding().outcome is Outcome.NO_END


def test_two_neighbours_need_no_search_inside() -> None:
    rng = np.random.default_rng(1)
    search = search_for(1, WORLDS["normal, wide apart"][1], rng, Search(1))
    found = search.finding()
    assert (found.first, found.last, found.probability) == (1, 1, 1.0)
    assert set(search.runs) == {0, 1}


def test_it_gives_up_at_the_most_runs() -> None:
    rng, said = np.random.default_rng(0), []
    for _ in range(10):
        search = Search(500, most=60)
        found = search_for(200, lambda r, bad: r.normal(1.3 * bad, 1.0), rng, search).finding()
        assert found.runs <= 60
        said.append(found.outcome)
    assert Outcome.UNDECIDED in said


def test_the_size_of_the_change_has_an_interval() -> None:
    rng = np.random.default_rng(9)
    held = 0
    for _ in range(60):
        found = search_for(
            int(rng.integers(1, 101)), lambda r, bad: r.normal(10.0 + 4.0 * bad, 1.0), rng,
            Search(100),
        ).finding()  # fmt: skip
        assert found.low < found.change < found.high
        held += found.low <= 4.0 <= found.high
        assert found.before.mean == pytest.approx(10.0, abs=1.5)
    assert lower_bound(60 - held, 60, 0.999) <= 0.05


def test_a_rate_has_the_difference_of_its_shares() -> None:
    rng = np.random.default_rng(9)
    search = search_for(30, WORLDS["fails now and then"][1], rng, Search(100, rate=True))
    found = search.finding()
    assert found.low <= -0.65 <= found.high
    assert found.before.low <= 0.95 <= found.before.high
    assert found.after.values == sum(
        sum(v) for build, v in search.runs.items() if build >= found.last
    )


@settings(max_examples=60, deadline=None)
@given(
    last=st.integers(1, 300),
    share=st.floats(0.0, 1.0),
    broken=st.sets(st.integers(1, 299), max_size=40),
    order=st.randoms(use_true_random=False),
)
def test_without_scatter_it_is_plain_bisection(last, share, broken, order) -> None:
    """Exactly right, in about log2(n) builds inside, whatever cannot be made."""
    first_bad = 1 + int(share * (last - 1))
    broken = {build for build in broken if build < last}
    search = Search(last)
    while (build := search.next()) is not None:
        assert build not in search.skipped
        if build in broken:
            search.skip(build)
        else:
            search.observe(build, [3.0 if build >= first_bad else order.choice([1.0, 1.1])])
    found = search.finding()
    assert found.outcome is Outcome.FOUND
    assert found.first <= first_bad <= found.last
    assert set(range(found.first, found.last)) <= broken
    assert found.builds <= 2 * math.log2(last + 1) + 6
    assert sum(search.chances) == pytest.approx(1.0)


@settings(max_examples=40, deadline=None)
@given(
    values=st.lists(st.floats(-1e6, 1e6) | st.just(NAN), min_size=12, max_size=40),
    scale=st.floats(1e-3, 1e3),
    shift=st.floats(-1e3, 1e3),
)
def test_units_do_not_matter(values, scale, shift) -> None:
    """Only the order of the values counts: the same places for mV as for V."""
    first, second = Search(20), Search(20)
    for number, value in enumerate(values):
        build = (0, 20, 5, 15, 10)[number % 5]
        first.observe(build, [value])
        second.observe(build, [np.float64(value)])
    known = [v for v in values if not math.isnan(v)]
    same = len(set(known)) == len({scale * v + shift for v in known})
    third = Search(20)
    for number, value in enumerate(values):
        third.observe((0, 20, 5, 15, 10)[number % 5], [scale * value + shift])
    assert first.next() == second.next()
    if same and first._differ == third._differ and max(map(abs, known), default=0.0) < 1e3:
        assert first.chances == pytest.approx(third.chances, abs=1e-6)


@settings(max_examples=60, deadline=None)
@given(
    st.lists(st.floats(0.01, 1.0), min_size=2, max_size=6),
    st.data(),
)
def test_a_run_tells_at_most_one_bit_and_nothing_about_a_known_side(weights, data) -> None:
    before = np.array(weights) / sum(weights)
    other = data.draw(st.lists(st.floats(0.01, 1.0), min_size=before.size, max_size=before.size))
    after = np.array(other) / sum(other)
    gain = _information(np.array([0.0, 0.3, 0.5, 1.0]), before, after)
    assert gain[0] == pytest.approx(0.0, abs=1e-12)
    assert gain[3] == pytest.approx(0.0, abs=1e-12)
    assert np.all((gain >= 0.0) & (gain <= 1.0 + 1e-12))
    # Against the definition by relative entropies.
    mixed = 0.7 * before + 0.3 * after
    direct = 0.7 * np.sum(before * np.log2(before / mixed))
    direct += 0.3 * np.sum(after * np.log2(after / mixed))
    assert gain[1] == pytest.approx(direct, abs=1e-9)


@pytest.mark.parametrize(
    "changes",
    [{"last": 0}, {"risk": 0.0}, {"risk": 0.5}, {"most_ends": 2}, {"most": 20}, {"build_cost": -1}],
)
def test_a_search_that_makes_no_sense_is_refused(changes: dict) -> None:
    with pytest.raises(ValueError, match=r"no such search|expected at least"):
        Search(**{"last": 10, **changes})


def test_what_cannot_have_been_observed_is_refused() -> None:
    with pytest.raises(ValueError, match="there is no build 11"):
        Search(10).observe(11, [1.0])
    with pytest.raises(ValueError, match="is no rate"):
        Search(10, rate=True).observe(0, [0.5])
    with pytest.raises(ValueError, match="is no value"):
        Search(10).observe(0, [math.inf])
    with pytest.raises(ValueError, match="there is no build -1"):
        Search(10).skip(-1)
