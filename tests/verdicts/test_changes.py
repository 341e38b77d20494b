from __future__ import annotations

import math
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from ruptures.detection import Binseg, Dynp

from hil.verdicts.changes import nights_needed, search
from hil.verdicts.changes_chance import normal_scores
from hil.verdicts.changes_cheapest import cheapest
from hil.verdicts.changes_found import SHIPPED, ChangeSettings
from hil.verdicts.changes_latest import judge_latest
from hil.verdicts.changes_many import alone
from hil.verdicts.samples import lower_bound, upper_bound

#: Annual flow of the Nile at Aswan, 1871 to 1970, 10^8 m^3 (Cobb 1978; typed from memory, vouched
#: for by its published mean and the sums below).
NILE = np.array([
    1120, 1160, 963, 1210, 1160, 1160, 813, 1230, 1370, 1140, 995, 935, 1110, 994, 1020, 960, 1180,
    799, 958, 1140, 1100, 1210, 1150, 1250, 1260, 1220, 1030, 1100, 774, 840, 874, 694, 940, 833,
    701, 916, 692, 1020, 1050, 969, 831, 726, 456, 824, 702, 1120, 1100, 832, 764, 821, 768, 845,
    864, 862, 698, 845, 744, 796, 1040, 759, 781, 865, 845, 944, 984, 897, 822, 1010, 771, 676, 649,
    846, 812, 742, 801, 1040, 860, 874, 848, 890, 744, 749, 838, 1050, 918, 986, 797, 923, 975, 815,
    1020, 906, 901, 1170, 912, 746, 919, 718, 714, 740,
], dtype=np.float64)  # fmt: skip
MEASURES = 20


def healthy(kind: str, rng: np.random.Generator, nights: int, measures: int = MEASURES):
    """Results of many measures, one a column: nothing changes but by chance."""
    shape = (nights, measures)
    noise = rng.standard_normal(shape)
    if kind == "heavy tails":
        return rng.standard_t(2, shape)
    if kind == "skewed":
        return rng.exponential(size=shape)
    if kind == "coarse":
        return np.round(noise / 3.0) * 3.0
    if kind == "rare faults":
        return (rng.random(shape) < 0.03).astype(np.float64)
    if kind == "common cause":
        return 0.7 * rng.standard_normal((nights, 1)) + 0.7 * noise
    if kind.startswith("memory "):
        lag = float(kind.removeprefix("memory "))
        for night in range(1, nights):
            noise[night] = lag * noise[night - 1] + math.sqrt(1.0 - lag**2) * noise[night]
    return noise


def searched(data: np.ndarray, wanted: ChangeSettings = SHIPPED):
    return search(list(data.T), wanted)


def test_whoever_looks_at_which_series_the_same_is_found():
    """Series of many lengths, some with steps, creeping or short, in parts of every size."""
    rng = np.random.default_rng(12)
    rows = [rng.standard_normal(int(n)) for n in rng.integers(0, 70, 25)]
    for n, row in enumerate(rows):
        row[row.size // 2 :] += 4.0 * (n % 5 == 0)
        row[-12:] += np.linspace(0.0, 4.0, 12)[-row.size :] * (n % 7 == 0) if row.size else 0.0

    def told(share):
        found = search(iter(rows), share=share)
        since = [one.changes[-1].position if one.changes else 0 for one in found]
        latest = judge_latest(rows, since, [one.memory for one in found], share=share)
        return repr([(one, one.level.tolist()) for one in found]), repr(latest)

    def parts(size):
        def share(function, things):
            rest = list(things)
            asked = [rest[n : n + size] for n in range(0, len(rest), size)]
            return [one for some in asked for one in function(some)]

        return share

    whole = told(alone)
    assert "Change(" in whole[0]
    assert [size for size in (1, 2, 7, 24, 99) if told(parts(size)) != whole] == []


def test_the_nile_changed_after_1898():
    # Best single split of least squares after observation 28 (1898), means 1097.75 and 849.9722,
    # sums of squares 1597457.19 against 2835156.75 (computed from the data set that a statistics
    # library ships; Cobb 1978).
    (found,) = search([NILE])
    (change,) = found.changes
    assert change.position == 28  # the first year of the new level: 1899
    assert (change.before, change.after) == pytest.approx((1097.75, 849.9722), abs=1e-4)
    assert np.sum((NILE - NILE.mean()) ** 2) == pytest.approx(2835156.75)
    assert np.sum((NILE - found.level) ** 2) == pytest.approx(1597457.19, abs=0.01)
    assert found.scatter == pytest.approx(math.sqrt(1597457.19 / 98))
    assert change.size == pytest.approx(-247.7778, abs=1e-4)
    assert change.low < change.size < change.high < 0.0
    assert change.p == pytest.approx(found.adjusted)
    assert change.p < 1e-4
    assert change.earliest <= 28 <= change.latest <= 32


def test_the_trap_of_candidates_that_are_five_apart():
    # Computed with ruptures 1.1.10: its default jump=5 places the change of the Nile at 30.
    coarse = [int(m(model="l2").fit(NILE).predict(n_bkps=1)[0]) for m in (Dynp, Binseg)]
    fine = [int(m(model="l2", jump=1).fit(NILE).predict(n_bkps=1)[0]) for m in (Dynp, Binseg)]
    assert coarse == [30, 30]
    assert fine == [28, 28]


@pytest.mark.parametrize(
    "kind",
    ["normal", "heavy tails", "skewed", "coarse", "rare faults", "common cause", "memory 0.3"],
)
@pytest.mark.parametrize("nights", [30, 120])
def test_healthy_nights_are_said_to_have_changed_as_rarely_as_promised(kind, nights):
    rng = np.random.default_rng(nights)
    wanted, looks = ChangeSettings(false_share=0.05), 60
    told = sum(
        any(one.changes for one in searched(healthy(kind, rng, nights), wanted))
        for _ in range(looks)
    )
    # One-sided exact bound at 99.9 %: sure only that it is not more.
    assert lower_bound(told, looks, 0.999) <= wanted.false_share


def test_a_year_of_healthy_nights_is_quiet():
    for seed in range(3):
        found = searched(healthy("normal", np.random.default_rng(seed), 365, 200))
        assert all(one.judged and not one.changes for one in found)


@pytest.mark.parametrize(
    ("sigmas", "nights_after", "least", "most"),
    [(1.0, 100, 0.95, 1.0), (2.0, 20, 0.9, 1.0), (4.0, 6, 0.9, 1.0), (0.3, 20, 0.0, 0.1)],
)
def test_how_large_a_step_is_found_after_how_many_nights(sigmas, nights_after, least, most):
    rng = np.random.default_rng(12)
    found = placed = 0
    for _ in range(10):
        data = healthy("normal", rng, 200, 40)
        data[-nights_after:, :10] += sigmas
        for one in searched(data)[:10]:
            found += bool(one.changes)
            placed += any(c.earliest <= 200 - nights_after <= c.latest for c in one.changes)
    assert lower_bound(found, 100, 0.999) <= most
    assert upper_bound(found, 100, 0.999) >= least
    if least > 0.5:
        # The night lies in the stated 95 % of nights.
        assert upper_bound(placed, found, 0.999) >= 0.95


def test_several_steps_of_one_series_are_told_apart():
    rng = np.random.default_rng(3)
    data = healthy("normal", rng, 300, 30)
    data[100:160, 4] += 3.0  # there and back
    data[50:, 7] += 4.0
    data[200:, 7] -= 2.0
    found = searched(data)
    assert [c.position for c in found[4].changes] == pytest.approx([100, 160], abs=1)
    assert [c.position for c in found[7].changes] == pytest.approx([50, 200], abs=3)
    first, second = found[7].changes
    assert (first.nights_before, first.nights_after) == (
        first.position,
        second.position - first.position,
    )
    assert first.size == pytest.approx(4.0, abs=0.5)
    assert second.sigma == pytest.approx(-2.0, abs=0.5)
    assert second.before == first.after
    assert sum(bool(one.changes) for one in found) == 2
    level = found[7].level
    assert level[[0, 100, 250]] == pytest.approx([first.before, first.after, second.after])


@pytest.mark.parametrize("odd", [[80], [80, 81], [10, 50, 150]])
def test_absurd_nights_are_no_step(odd):
    data = healthy("normal", np.random.default_rng(2), 200)
    data[odd, 3] += 1e6
    assert not any(one.changes for one in searched(data))


def test_nights_without_a_value_are_passed_over():
    rng = np.random.default_rng(5)
    data = healthy("normal", rng, 120)
    data[60:, 2] += 3.0
    holes = data.copy()
    holes[[3, 40, 60, 61, 90], 2] = math.nan
    holes[15:, 5] = math.nan  # too short then
    holes[:, 6] = math.nan
    holes[:, 7] = 4.2
    found = searched(holes)
    (change,) = found[2].changes
    assert change.position == 62
    assert (change.nights_before, change.nights_after) == (58, 57)
    assert [found[i].judged for i in (2, 5, 6, 7)] == [True, False, False, False]
    assert math.isnan(found[5].adjusted)
    assert np.isnan(found[6].level).all()
    assert math.isnan(found[6].scatter)
    assert found[7].scatter == 0.0
    assert len(found[2].level) == 120
    assert found[2].level[61] == change.before


def test_a_measure_that_never_varied_and_then_did_has_changed():
    y = np.full(60, 24.0)
    y[45:] = 24.5
    (found,) = search([y])
    (change,) = found.changes
    assert (change.position, change.size, change.probability) == (45, 0.5, pytest.approx(1.0))
    assert change.sigma == math.inf
    assert (change.low, change.high) == (0.5, 0.5)


def test_rounding_of_means_is_no_change():
    y = np.full(60, 0.1)
    y[30:] = (0.1 + 0.1 + 0.1) / 3.0 * (1.0 + 2e-16)
    assert not search([y])[0].judged


@settings(deadline=None, max_examples=25)
@given(st.integers(0, 1000), st.sampled_from([0.25, 8.0, 1024.0]), st.integers(-50, 50))
def test_unit_and_offset_do_not_matter(seed, scale, offset):
    rng = np.random.default_rng(seed)
    data = np.round(healthy("normal", rng, 60, 3) * 1024.0)
    data[35:, 1] += 3000.0
    there = searched(data)
    back = searched(scale * (data + offset))
    mirrored = searched(-data)
    for one, two, three in zip(there, back, mirrored, strict=True):
        assert two.adjusted == pytest.approx(one.adjusted)
        assert three.adjusted == pytest.approx(one.adjusted)
        for a, b, c in zip(one.changes, two.changes, three.changes, strict=True):
            assert a.position == b.position == c.position
            assert b.size == pytest.approx(scale * a.size)
            assert c.size == pytest.approx(-a.size)
            assert a.sigma == pytest.approx(b.sigma)


@settings(deadline=None, max_examples=25)
@given(st.integers(0, 1000), st.integers(1, 12))
def test_what_is_found_makes_sense(seed, steps):
    rng = np.random.default_rng(seed)
    y = rng.standard_normal(150) + np.cumsum((rng.random(150) < steps / 150) * 4.0)
    (found,) = search([y])
    places = [c.position for c in found.changes]
    assert places == sorted(set(places))
    assert all(b - a >= SHIPPED.side for a, b in pairwise([0, *places, 150]))
    for change in found.changes:
        assert change.earliest <= change.position <= change.latest
        assert 0.0 <= change.probability <= 1.0 + 1e-9
        assert change.low <= change.size <= change.high
        assert 0.0 <= change.p <= SHIPPED.false_share * (1.0 + 1e-9)


def test_nothing_to_search():
    assert search([]) == []
    (empty,) = search([[]])
    assert not empty.judged
    assert empty.level.shape == (0,)


@pytest.mark.parametrize("wrong", [[[1.0, 2.0]], [1.0, math.inf]])
def test_what_is_no_series(wrong):
    with pytest.raises(ValueError, match=r"a row of nights|finite"):
        search([wrong])


def test_how_many_nights_are_needed():
    assert nights_needed(1) == SHIPPED.least
    assert nights_needed(200) < nights_needed(5000)
    needed = nights_needed(200)
    # A little more than needed: what nights seem to remember of each other costs some.
    y = np.random.default_rng(1).standard_normal((needed + 20, 200))
    y[needed // 2 + 10 :, 4] += 100.0
    assert searched(y)[4].changes
    assert not searched(y[14:-10])[4].changes
    with pytest.raises(ValueError, match="a series at least"):
        nights_needed(0)


@pytest.mark.parametrize("wrong", [(0.0, 3, 20), (1.0, 3, 20), (0.01, 0, 20), (0.01, 3, 5)])
def test_no_such_settings(wrong):
    with pytest.raises(ValueError, match="no such settings"):
        ChangeSettings(*wrong)


def test_scores_of_the_nile_split_at_the_same_year():
    scores = normal_scores(NILE)
    assert cheapest([scores], [20.0], 3) == [[28]]
