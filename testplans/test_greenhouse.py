"""Scenarios of the greenhouse dosing pump that are easier to say in Python than in a plan file."""

import pytest

pytestmark = pytest.mark.hil(rig="rigs/dosing-pump.yaml")


def test_dose_then_flush_back(hil_script):
    """Dose at a middle speed, top up faster, then turn the pump back to flush the tube."""
    hil_script.prepare(voltage=24.0, sensing="hall")

    dose = hil_script.start(2000.0)
    hil_script.judge(dose["success"], low=1.0)
    hil_script.judge(dose["time-to-speed"], high=2.0)

    top_up = hil_script.speed_step(3000.0)
    hil_script.judge(top_up["overshoot"], high=10.0)
    hil_script.judge(top_up["settling-time-5"], high=1.5)

    flush = hil_script.reversal(1000.0)
    hil_script.judge(flush["success"], low=1.0)
    hil_script.judge(flush["peak-dc-link-voltage"], high=40.0)


@pytest.mark.parametrize("sensing", ["hall", "back-emf"])
def test_starts_again_at_once_after_a_stop(hil_script, sensing):
    """A dose is repeated: the second start follows the stop without a pause."""
    hil_script.prepare(sensing=sensing)
    hil_script.start(1500.0, hold=0.3)
    hil_script.steps.stop()
    assert hil_script.bench.wait_until(hil_script.bench.at_rest, 3.0), "the shaft kept turning"
    again = hil_script.start(1500.0, direction="ccw")
    hil_script.judge(again["success"], low=1.0)
    hil_script.judge(again["backward-kick"], high=60.0)
