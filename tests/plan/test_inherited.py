"""A rig that states another motor and leaves supply or limits to the rig it is based on."""

from __future__ import annotations

import pytest

from hil.plan.load import load_rig

PLATE = "motor: {rated-voltage: 36 V, rated-current: 8 A, max-speed: 4200 rpm, pole-pairs: 3}\n"
SUPPLY = (
    "supply: {voltage: 36 V, max-voltage: 40 V, over-voltage-limit: 45 V, current-limit: 10 A}\n"
)


@pytest.fixture
def told(write, shipped):
    def told(text: str, name: str = "fan.yaml", base: str = "") -> str:
        base = base or str(shipped / "rigs" / "dosing-pump.yaml")
        return load_rig(write(f"based-on: {base}\nrig: fan\n{text}", name)).inherited

    return told


def test_what_still_comes_from_the_other_motor_is_named_with_its_value(told, shipped) -> None:
    file = shipped / "rigs" / "dosing-pump.yaml"
    assert told(PLATE) == (
        "it rates its motor itself and takes supply.voltage 24 V, supply.max-voltage 42 V, "
        "supply.over-voltage-limit 46 V, limits.dc-link-voltage 45 V, supply.current-limit 10 A, "
        f"limits.current 15 A, limits.speed 6500 rpm from {file}: meant for it?"
    )
    one = "motor: {max-speed: 4200 rpm}\n"
    assert told(one).startswith("it rates its motor itself and takes limits.speed 6500 rpm from ")


def test_a_rig_that_states_both_or_neither_has_nothing_to_be_asked(told, shipped) -> None:
    limits = "limits: {speed: 6000 rpm, current: 12 A, dc-link-voltage: 44 V}\n"
    assert told(PLATE + SUPPLY + limits) == ""
    assert told("board: {sensing: [hall]}\n") == ""
    assert told(limits) == ""  # of the same motor
    for name in shipped.glob("rigs/*.yaml"):
        assert load_rig(name).inherited == ""


def test_another_file_of_the_same_bench_asks_no_more(told) -> None:
    limits = "limits: {speed: 6000 rpm, current: 12 A, dc-link-voltage: 44 V}\n"
    assert told(PLATE + SUPPLY + limits, "fan.yaml") == ""
    assert told("board: {sensing: [hall]}\n", "again.yaml", "fan.yaml") == ""
