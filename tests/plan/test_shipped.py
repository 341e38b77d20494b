"""The files that come with the project load, and hold what they promise."""

import re
from collections import Counter

import pytest

from hil.core.drive import Direction, Sensing
from hil.measures.catalogue import KINDS, definitions
from hil.motor.bounds import alignment_displacement, lossless_bus_peak
from hil.plan.expand import expand
from hil.plan.load import load_plan, load_profile, load_rig
from hil.plan.steps import ExpectStill

MEASURES = {kind: {n: d.unit for n, d in definitions(kind).items()} for kind in KINDS}


@pytest.fixture(scope="module")
def items():
    from pathlib import Path

    folder = Path(__file__).parents[2] / "testplans"

    def make(name, rig_name="dosing-pump"):
        rig = load_rig(folder / "rigs" / f"{rig_name}.yaml")
        return expand(load_plan(folder / f"{name}.plan.yaml"), rig, MEASURES)

    return make


def test_every_file_of_the_folder_loads(shipped, rig):
    for path in sorted((shipped / "rigs").glob("*.yaml")):
        assert load_profile(load_rig(path).profile_path).baud > 0
    for path in sorted((shipped / "profiles").glob("*.yaml")):
        load_profile(path)
    plans = sorted(shipped.glob("*.plan.yaml"))
    assert [path.name for path in plans] == [
        "hall.plan.yaml",
        "nightly.plan.yaml",
        "smoke.plan.yaml",
    ]
    for path in plans:
        assert expand(load_plan(path), rig, MEASURES)


def test_plans_do_not_care_which_protocol_the_board_speaks(items):
    for name in ("nightly", "smoke"):
        assert items(name) == items(name, "dosing-pump-cobs")


def test_nightly_covers_the_matrix(items):
    nightly = items("nightly")
    assert len(nightly) >= 60
    kinds = Counter(item.kind for item in nightly)
    assert set(kinds) == set(KINDS)
    for kind in ("start", "reversal", "stall", "speed-step"):
        cells = {(i.direction, i.sensing) for i in nightly if i.kind == kind}
        assert cells == {(d, s) for d in Direction for s in Sensing}
    starts = {(i.supply_voltage, i.parameters.target) for i in nightly if i.kind == "start"}
    assert {voltage for voltage, _speed in starts} == {20.0, 24.0, 28.0}
    assert {1000.0, 2000.0, 3000.0} <= {speed for _voltage, speed in starts}


def test_nightly_series_can_show_what_it_asks_for(items):
    series = [item for item in items("nightly") if item.repeats == 20]
    assert {item.sensing for item in series} == set(Sensing)
    assert all(item.success is not None for item in series)


def test_nightly_watches_a_shaft_that_nobody_asked_to_turn_for_5_s(items):
    watched = [
        item.parameters.steps[0].seconds
        for item in items("nightly")
        if item.kind == "steps" and isinstance(item.parameters.steps[0], ExpectStill)
    ]
    assert max(watched) >= 5.0


def test_nightly_counts_resets_in_every_item(items):
    for item in items("nightly"):
        limits = [(b.low, b.high) for b in item.bands if b.measure == "board-resets"]
        assert limits == [(0.0, 0.0)], item.id


def test_each_stall_has_its_partner(items):
    stalls = [item for item in items("nightly") if item.kind == "stall"]
    expected = Counter(item.parameters.expect for item in stalls)
    assert expected["trip"] >= 12
    assert expected["no-trip"] >= 6
    partners = {
        (i.sensing, i.direction, i.parameters.speed)
        for i in stalls
        if i.parameters.expect == "no-trip"
    }
    for item in stalls:
        assert (item.sensing, item.direction, item.parameters.speed) in partners


def test_no_reversal_can_exceed_the_rig(items, rig):
    for item in items("nightly"):
        peak = lossless_bus_peak(
            voltage=item.supply_voltage,
            inertia=rig.motor.inertia,
            capacitance=rig.regeneration.dc_link_capacitance,
            speed_rpm=max((speed for _key, speed in item.parameters.speeds()), default=0.0),
        )
        assert peak < rig.limits.dc_link_voltage, item.id


def test_the_kick_of_an_alignment_is_allowed_for(items, rig):
    kicks = [
        band.high
        for item in items("nightly")
        for band in item.bands
        if band.measure == "backward-kick" and item.sensing is Sensing.BACK_EMF
    ]
    assert kicks
    assert min(kicks) >= alignment_displacement(rig.motor.pole_pairs)


@pytest.mark.parametrize("name", ["nightly", "smoke"])
def test_ids_are_unique_plain_and_in_order(items, name):
    ids = [item.id for item in items(name)]
    assert len(set(ids)) == len(ids)
    assert all(re.fullmatch(r"[a-z0-9._-]+", identity) for identity in ids)
    lines = [item.line for item in items(name)]
    assert lines == sorted(lines)


def test_ids_stay_as_they_are(items):
    # Records of earlier nights are found by these: a change loses the history of an item.
    ids = [item.id for item in items("nightly")]
    assert ids[0] == "start.hall.cw.20v.2000rpm"
    assert "reversal.back-emf.ccw.3000rpm" in ids
    assert "stall.hall.2000rpm.800mnm" in ids
    assert "blocked-twice.back-emf" in ids


def test_smoke_has_every_manoeuvre_once(items):
    smoke = items("smoke")
    assert 4 <= len(smoke) <= 6
    assert {item.kind for item in smoke} == {"start", "reversal", "stall", "speed-step"}
