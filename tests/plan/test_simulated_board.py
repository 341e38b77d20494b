"""The simulated bench's board in rig files: units, ranges, what is refused and where."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import ValidationError

from hil.core.errors import PlanError
from hil.plan.load import load_rig
from hil.plan.simulated_board import Heat, Measuring, PowerStage, Wiring


@pytest.fixture
def rig_with(shipped, write):
    """The demo rig with more lines in its twin section; the file that holds it."""

    def make(lines: str):
        text = (shipped / "rigs" / "dosing-pump.yaml").read_text()
        return write(text.replace("../profiles", str(shipped / "profiles")) + lines)

    return make


def test_all_parts_may_be_left_out(rig) -> None:
    assert (rig.twin.power_stage, rig.twin.heat) == (PowerStage(), Heat())
    assert rig.twin.wiring == Wiring()
    assert all(value is None for part in (PowerStage(), Measuring(), Heat()) for _, value in part)


def test_units_are_converted(rig_with) -> None:
    twin = load_rig(
        rig_with(
            "  power-stage: {on-resistance: 3 mohm, dead-time: 0.8 us}\n"
            "  measuring: {amplifier-bandwidth: 0.3 MHz, voltage-noise: 12 mV, current-bits: 12}\n"
            "  heat: {sink-resistance: 6 K/W, sink-capacity: 0.09 kJ/K}\n"
            "  wiring: {hall-order: [c, a, b], hall-inverted: [b],\n"
            "           hall-late: [1 deg, 0 deg, 0 deg]}\n"
        )
    ).twin
    assert twin.power_stage.on_resistance == pytest.approx(0.003)
    assert twin.power_stage.dead_time == pytest.approx(8e-7)
    assert twin.measuring.amplifier_bandwidth == pytest.approx(3e5)
    assert twin.measuring.voltage_noise == pytest.approx(0.012)
    assert twin.measuring.current_bits == 12
    assert (twin.heat.sink_resistance, twin.heat.sink_capacity) == (6.0, pytest.approx(90.0))
    assert twin.wiring.hall_order == ("c", "a", "b")
    assert twin.wiring.hall_inverted == ("b",)
    assert twin.wiring.hall_late == (1.0, 0.0, 0.0)


@pytest.mark.parametrize(
    ("line", "said"),
    [
        ("power-stage: {dead-time: 13 us}", "below 0.25 of the PWM period, 12.5 us, found 13 us"),
        ("measuring: {sampling-delay: 30 us}", "below 0.5 of the PWM period, 25 us, found 30 us"),
        ("power-stage: {dead-time: 2}", "expected a time with its unit"),
        ("power-stage: {deadtime: 2 us}", "deadtime"),
        ("power-stage: {output-delay: 2}", "output-delay"),
        ("measuring: {current-range: 0 A}", "more than zero"),
        ("measuring: {current-bits: 40}", "current-bits"),
        ("measuring: {current-noise: 10 mV}", "expected a current"),
        ("heat: {sink-resistance: 6 ohm}", "expected a thermal resistance"),
        ("heat: {sink-capacity: 6 uF}", "expected a heat capacity"),
        ("heat: {sink-resistance: 0 K/W}", "more than zero"),
        ("wiring: {hall-order: [a, a, b]}", "a, b and c once each, found a, a, b"),
        ("wiring: {phase-order: [a, b]}", "a, b and c once each, found a, b"),
        ("wiring: {hall-inverted: [d]}", "hall-inverted"),
        ("wiring: {hall-late: [1 deg]}", "hall-late"),
        ("flat-top: 59 deg", "twin.flat-top: expected 60 to 170 deg, found 59 deg"),
        ("flat-top: 171 deg", "60 to 170 deg"),
        ("pwm-frequency: 999 Hz", "expected 1000 to 200000 Hz, found 999 Hz"),
        ("pwm-frequency: 201 kHz", "1000 to 200000 Hz"),
        ("ambient: -61 degC", "expected -60 to 150 degC, found -61 degC"),
        ("supply-resistance: 0 ohm", "supply-resistance: expected more than zero, found 0 ohm"),
        ("load-resistor: 0 ohm", "load-resistor: expected more than zero"),
        ("power-stage: {bleeder: 0 ohm}", "power-stage.bleeder: expected more than zero"),
    ],
)
def test_what_cannot_be_is_refused_with_its_line(rig_with, line: str, said: str) -> None:
    path = rig_with(f"  {line}\n")
    last = len(path.read_text().splitlines())
    with pytest.raises(PlanError) as caught:
        load_rig(path)
    told = str(caught.value)
    assert said in told
    assert path.name in told
    where = f":{last}" if "PWM period" not in said else ":"
    assert where in told


@given(st.permutations(["a", "b", "c"]))
def test_every_order_of_three_is_one(order) -> None:
    assert Wiring.model_validate({"hall-order": list(order)}).hall_order == tuple(order)


@given(st.lists(st.sampled_from(["a", "b", "c"]), max_size=5))
def test_no_other_list_is_an_order(letters) -> None:
    if sorted(letters) == ["a", "b", "c"]:
        return
    with pytest.raises(ValidationError, match="once each"):
        Wiring.model_validate({"phase-order": letters})
