"""The checklist of a rig file: the usual points, and its own."""

from typing import get_args

import pytest

from hil.core.errors import PlanError
from hil.plan.checklist import USUAL, Checklist
from hil.plan.load import load_rig
from hil.plan.rig import Regeneration


def test_a_rig_has_none_unless_its_file_says_so(rig_file) -> None:
    assert load_rig(rig_file()).checklist is None


def test_its_own_points_follow_the_usual_ones(rig_file) -> None:
    told = "checklist: {valid-for: 14 d, points: [The tank is empty.]}"
    rig = load_rig(rig_file("telemetry:", f"{told}\ntelemetry:"))
    assert rig.checklist is not None
    assert rig.checklist.valid_for == 14 * 86400.0
    points = rig.checklist.all_points("load-resistor")
    assert points[-1] == "The tank is empty."
    assert len(points) == len(USUAL) + 1
    assert "Braking energy goes where the rig file says: into the load resistor." in points
    assert not any("{" in point for point in points)


def test_every_way_that_braking_energy_goes_has_its_words() -> None:
    for way in get_args(Regeneration.model_fields["absorbed_by"].annotation):
        assert Checklist().all_points(way) != USUAL


def test_a_check_holds_for_a_month_if_nothing_else_is_said() -> None:
    assert Checklist().valid_for == 30 * 86400.0


@pytest.mark.parametrize(
    ("told", "said"),
    [
        ("{valid-for: 14}", "expected a time with its unit"),
        ("{valid-for: 0 d}", "checklist.valid-for: expected more than 0"),
        ("{points: [3]}", "checklist.points"),
        ("{valid: 14 d}", "did you mean 'valid-for'"),
    ],
)
def test_what_is_wrong_is_told_with_its_place(rig_file, told: str, said: str) -> None:
    with pytest.raises(PlanError) as caught:
        load_rig(rig_file("telemetry:", f"checklist: {told}\ntelemetry:"))
    assert said in str(caught.value)
    assert caught.value.line is not None
