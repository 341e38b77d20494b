"""Efficiency and loss of a drive whose power balance is known."""

from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from hil.core.drive import DriveState
from hil.core.measure import Outcome
from hil.measures.efficiency import loss_map, operating_point, operating_points
from hil.measures.unmeasurable import Unmeasurable


def scene(lab, rpm=2000.0, amps=1.5, **fields):
    return lab.Scene(end=3.0, speed=lab.constant(rpm), current=lab.constant(amps), **fields)


def point(lab, rpm=2000.0, amps=1.5):
    return operating_point(scene(lab, rpm, amps).trace(), lab.conditions(), 1.0, 3.0)


def test_a_known_power_balance(lab):
    """The trace is made by V I = ke w I + R I^2, so the loss is the winding's."""
    found = point(lab)
    w = 2000.0 * np.pi / 30.0
    assert found.power_out == pytest.approx(lab.KE * w * 1.5, rel=1e-6)
    assert found.loss == pytest.approx(lab.R * 1.5**2, rel=1e-3)
    assert found.torque == pytest.approx(lab.KE * 1.5)
    assert found.efficiency == pytest.approx(100.0 * found.power_out / found.power_in)
    assert 0.0 < found.efficiency < 100.0


def test_the_nameplate_is_the_largest_part_of_its_uncertainty(lab):
    found = point(lab)
    assert found.budget_efficiency.total == pytest.approx(
        found.efficiency * 0.1 / np.sqrt(3.0), rel=0.1
    )
    assert found.budget_torque.total == pytest.approx(found.torque * 0.1 / np.sqrt(3.0), rel=0.1)
    assert found.budget_loss.total > found.budget_in.total
    assert 0.0 < found.budget_speed.total < 2.0


def test_budgets_follow_from_those_of_input_and_output(lab):
    """JCGM 100:2008, 5.1.3, for a difference and for a quotient."""
    found = point(lab)
    u_in, u_out = found.budget_in.total, found.budget_out.total
    assert found.budget_loss.total == pytest.approx(np.hypot(u_in, u_out))
    relative = np.hypot(u_in / found.power_in, u_out / found.power_out)
    assert found.budget_efficiency.total == pytest.approx(found.efficiency * relative)


def test_a_map_is_ordered_by_speed_and_load(lab):
    asked = [(2000.0, 2.0), (1000.0, 1.0), (2000.0, 0.5), (1010.0, 0.5)]
    assert loss_map([point(lab, *one) for one in asked]) == [[3], [1], [2], [0]]


def test_points_that_cannot_be_told_apart_share_a_place(lab):
    asked = [(2000.0, 2.0), (2040.0, 2.1), (2060.0, 2.0), (2000.0, 2.4), (1990.0, 1.9)]
    assert loss_map([point(lab, *one) for one in asked]) == [[0, 1, 4], [3], [2]]


@given(asked=st.lists(st.tuples(st.floats(500.0, 5000.0), st.floats(0.2, 4.0)), max_size=8))
def test_every_point_has_one_place(lab, asked):
    points = [point(lab, *one) for one in asked]
    places = loss_map(points)
    assert sorted(index for place in places for index in place) == list(range(len(points)))
    assert all(place == sorted(place) for place in places)
    speeds = [points[place[0]].speed for place in places]
    assert all(b >= a / 1.025 for a, b in pairwise(speeds))


def test_without_power_or_nameplate_there_is_none(lab):
    with pytest.raises(Unmeasurable, match="delivered") as idle:
        point(lab, amps=0.0)
    assert idle.value.outcome is Outcome.NOT_APPLICABLE
    with pytest.raises(Unmeasurable, match="nameplate"):
        operating_point(scene(lab).trace(), lab.conditions(back_emf_constant=0.0), 1.0, 3.0)
    assert not [*operating_points(scene(lab).trace(), lab.conditions(back_emf_constant=0.0))]


def test_each_steady_stretch_gives_one_point(lab):
    """Two loads at one speed, in either direction; the marks part them."""
    drive = lab.Scene(
        end=4.0,
        speed=lab.constant(2000.0),
        current=lab.steps_of([(0.0, 1.0), (2.001, 3.0)]),
        marks=[("command", 0.1), ("load-on", 2.0), ("stop", 3.9)],
    )
    for direction in (1, -1):
        found = list(operating_points(drive.trace(direction), lab.conditions()))
        assert [p.torque for p in found] == pytest.approx([lab.KE * 1.0, lab.KE * 3.0], rel=1e-3)
        assert [p.speed for p in found] == pytest.approx([2000.0, 2000.0])
        assert [p.loss for p in found] == pytest.approx([lab.R * 1.0, lab.R * 9.0], rel=1e-3)


@pytest.mark.parametrize(
    "fields",
    [
        {"states": ((0.0, DriveState.RUN), (2.8, DriveState.FAULT))},
        {"leave_out": ("supply.current",)},
        {"leave_out": ("reported.current",)},
        {"leave_out": ("reported.state",)},
    ],
)
def test_a_stretch_that_is_not_all_there_gives_none(lab, fields):
    assert [*operating_points(scene(lab).trace(), lab.conditions())]
    assert not [*operating_points(scene(lab, **fields).trace(), lab.conditions())]


def test_a_gap_gives_none(lab):
    holed = lab.without(scene(lab).trace(), "supply.voltage", 2.55, 2.85)
    assert not [*operating_points(holed, lab.conditions())]


def test_what_speeds_up_or_is_loaded_meanwhile_gives_none(lab):
    rising = replace(scene(lab), speed=lab.ramps([(0.0, 1000.0), (3.0, 2000.0)]))
    loaded = replace(scene(lab), current=lab.ramps([(2.0, 1.0), (3.0, 2.0)]))
    too_short = replace(scene(lab), marks=[("set-point", n / 4.0) for n in range(1, 12)])
    for drive in (rising, loaded, too_short):
        assert not [*operating_points(drive.trace(), lab.conditions())]


def test_ripple_that_the_readings_catch_slowly_counts_as_fewer(lab):
    """Of the same scatter, what wanders leaves the mean less certain than what alternates."""

    def noise(cycles):
        trace = scene(lab).trace()
        feed = trace.channels["supply.current"]
        ripple = 0.1 * np.sin(2.0 * np.pi * cycles * feed.t / 2.0 + 0.3)
        channels = {**trace.channels, "supply.current": replace(feed, y=feed.y + ripple)}
        found = operating_point(replace(trace, channels=channels), lab.conditions(), 1.0, 3.0)
        return found.budget_in.of("noise").total

    fast, slow = noise(18), noise(1)
    assert fast == pytest.approx(24.0 * 0.1 / np.sqrt(2.0 * 40.0), rel=0.05)
    assert slow > 3.0 * fast
