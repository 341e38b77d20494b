"""Efficiency and loss of a drive whose power balance is known."""

import numpy as np
import pytest

from hil.core.measure import Outcome
from hil.measures.efficiency import loss_map, operating_point
from hil.measures.unmeasurable import Unmeasurable


def scene(lab, rpm=2000.0, amps=1.5):
    return lab.Scene(end=3.0, speed=lab.constant(rpm), current=lab.constant(amps))


def test_a_known_power_balance(lab):
    """The trace is made by V I = ke w I + R I^2, so the loss is the winding's."""
    found = operating_point(scene(lab).trace(), lab.conditions(), 1.0, 3.0)
    w = 2000.0 * np.pi / 30.0
    assert found.power_out == pytest.approx(lab.KE * w * 1.5, rel=1e-6)
    assert found.loss == pytest.approx(lab.R * 1.5**2, rel=1e-3)
    assert found.torque == pytest.approx(lab.KE * 1.5)
    assert found.efficiency == pytest.approx(100.0 * found.power_out / found.power_in)
    assert 0.0 < found.efficiency < 100.0


def test_the_nameplate_is_the_largest_part_of_its_uncertainty(lab):
    found = operating_point(scene(lab).trace(), lab.conditions(), 1.0, 3.0)
    assert found.efficiency_uncertainty == pytest.approx(
        found.efficiency * 0.1 / np.sqrt(3.0), rel=0.1
    )
    assert found.loss_uncertainty > found.budget_in.total


def test_a_map_is_ordered_by_speed_and_load(lab):
    asked = [(2000.0, 2.0), (1000.0, 1.0), (2000.0, 0.5), (1010.0, 0.5)]
    points = [
        operating_point(scene(lab, *one).trace(), lab.conditions(), 1.0, 3.0) for one in asked
    ]
    found = [(round(p.speed, -2), round(p.torque / lab.KE, 2)) for p in loss_map(points)]
    assert found == [(1000.0, 0.5), (1000.0, 1.0), (2000.0, 0.5), (2000.0, 2.0)]


def test_without_power_or_nameplate_there_is_none(lab):
    with pytest.raises(Unmeasurable, match="delivered") as idle:
        operating_point(scene(lab, amps=0.0).trace(), lab.conditions(), 1.0, 3.0)
    assert idle.value.outcome is Outcome.NOT_APPLICABLE
    with pytest.raises(Unmeasurable, match="nameplate"):
        operating_point(scene(lab).trace(), lab.conditions(back_emf_constant=0.0), 1.0, 3.0)
