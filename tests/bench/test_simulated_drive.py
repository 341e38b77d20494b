"""Motor and board of a rig file reach the simulation, and act there as they would on a bench."""

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from hil.bench.simulate import world_for
from hil.bench.simulated_drive import drive_parameters
from hil.plan.simulated import SimulatedBench
from hil.plan.simulated_board import Heat, Measuring, PowerStage, Wiring


def with_twin(rig, **parts):
    return rig.model_copy(update={"twin": rig.twin.model_copy(update=parts)})


def test_the_nameplate_reaches_the_motor(rig) -> None:
    found = drive_parameters(rig, 1)
    motor = found.motor
    assert (motor.pole_pairs, motor.back_emf, motor.resistance) == (4, 0.04, 1.2)
    assert motor.inductance == pytest.approx(1.4e-3)
    assert motor.viscous == pytest.approx(0.002 / (4000.0 * math.pi / 30.0))
    assert found.baud == 230400


def test_the_shaft_rests_anywhere_but_at_the_same_place_for_the_same_seed(rig) -> None:
    angles = [drive_parameters(rig, seed).motor.initial_angle_deg for seed in (1, 1, 2)]
    assert angles[0] == angles[1]
    assert angles[0] != angles[2]
    assert all(0.0 <= angle < 360.0 for angle in angles)
    twin = rig.twin.model_copy(update={"start_angle": 12.0})
    fixed = drive_parameters(rig.model_copy(update={"twin": twin}), 1)
    assert fixed.motor.initial_angle_deg == 12.0


@pytest.mark.parametrize(
    ("absorbed", "chopper", "two_way"),
    [
        ("dc-link-capacitor", False, False),
        ("load-resistor", True, False),
        ("two-quadrant-supply", False, True),
    ],
)
def test_braking_energy_goes_where_the_rig_file_says(
    rig, absorbed: str, chopper: bool, two_way: bool
) -> None:
    part = rig.regeneration.model_copy(update={"absorbed_by": absorbed})
    found = drive_parameters(rig.model_copy(update={"regeneration": part}), 1)
    assert math.isfinite(found.bridge.chopper_on) is chopper
    assert found.supply.two_way is two_way


def test_what_is_not_said_of_the_board_is_as_the_simulation_has_it(rig) -> None:
    found = drive_parameters(rig, 1)
    for part in (found.bridge, found.sensing, found.heat):
        stated = {"pwm_hz", "capacitance", "substitute_temperature", "phase_shunts", "ambient"}
        plain = type(part)()
        for name in set(type(part).__dataclass_fields__) - stated - {"reference_temperature"}:
            assert getattr(part, name) == getattr(plain, name), name


@given(
    flat_top=st.floats(60.0, 170.0),
    pwm_frequency=st.floats(1e3, 2e5),
    ambient=st.floats(-60.0, 150.0),
    supply_resistance=st.floats(1e-6, 10.0),
    load_resistor=st.floats(1e-3, 1e3),
)
def test_whatever_a_rig_file_may_say_can_be_simulated(rig, **said: float) -> None:
    units = {"flat_top": "deg", "pwm_frequency": "Hz", "ambient": "degC"}
    twin = {name.replace("_", "-"): f"{said[name]!r} {units.get(name, 'ohm')}" for name in said}
    told = SimulatedBench.model_validate(twin)
    energy = rig.regeneration.model_copy(update={"absorbed_by": "load-resistor"})
    found = drive_parameters(rig.model_copy(update={"twin": told, "regeneration": energy}), 1)
    assert found.motor.flat_width_deg == pytest.approx(said["flat_top"])
    assert found.bridge.chopper == pytest.approx(said["load_resistor"])


def test_everything_said_of_the_board_arrives(rig) -> None:
    stage = PowerStage.model_validate(
        {
            "on-resistance": "5 mohm",
            "diode-drop": "0.7 V",
            "diode-resistance": "10 mohm",
            "dead-time": "500 ns",
            "output-delay": 1,
            "bleeder": "2 kohm",
        }
    )
    measuring = Measuring.model_validate(
        {
            "current-range": "25 A",
            "current-bits": 10,
            "current-noise": "20 mA",
            "voltage-range": "50 V",
            "voltage-bits": 0,
            "voltage-noise": "0 V",
            "comparator": "12 A",
            "amplifier-bandwidth": "150 kHz",
            "sampling-delay": "2 us",
        }
    )
    heat = Heat.model_validate(
        {
            f"{node}-{what}": f"{value} {unit}"
            for value, node in enumerate(("winding", "housing", "junction", "sink"), 3)
            for what, unit in (("resistance", "K/W"), ("capacity", "J/K"))
        }
    )
    found = drive_parameters(
        with_twin(rig, power_stage=stage, measuring=measuring, heat=heat, phase_shunts=True), 1
    )
    bridge, sensing = found.bridge, found.sensing
    assert (bridge.on_resistance, bridge.diode_drop, bridge.diode_resistance) == (0.005, 0.7, 0.01)
    assert (bridge.dead_time, bridge.output_delay, bridge.bleeder) == (5e-7, 1, 2000.0)
    assert (bridge.pwm_hz, bridge.capacitance) == (20000.0, pytest.approx(2.2e-3))
    assert (sensing.current_range, sensing.current_bits, sensing.current_noise) == (25.0, 10, 0.02)
    assert (sensing.voltage_range, sensing.voltage_bits, sensing.voltage_noise) == (50.0, 0, 0.0)
    assert (sensing.comparator, sensing.amplifier_hz) == (12.0, 150e3)
    assert sensing.sampling_delay == pytest.approx(2e-6)
    assert sensing.phase_shunts is True
    for value, node in enumerate(("winding", "housing", "junction", "sink"), 3):
        assert getattr(found.heat, f"{node}_resistance") == value
        assert getattr(found.heat, f"{node}_capacity") == value


def test_a_load_resistor_leaves_the_power_stage_as_it_is_described(rig) -> None:
    stage = PowerStage.model_validate({"dead-time": "1 us"})
    part = rig.regeneration.model_copy(update={"absorbed_by": "load-resistor"})
    found = drive_parameters(
        with_twin(rig, power_stage=stage).model_copy(update={"regeneration": part}), 1
    )
    assert found.bridge.dead_time == 1e-6
    assert math.isfinite(found.bridge.chopper)


def test_wiring_names_sensors_and_windings_by_letter(rig) -> None:
    wiring = Wiring(
        hall_order=("b", "c", "a"),
        hall_inverted=("c",),
        phase_order=("a", "c", "b"),
    ).model_copy(update={"hall_late": (0.5, 0.0, -0.25)})
    motor = drive_parameters(with_twin(rig, wiring=wiring), 1).motor
    assert motor.hall_order == (1, 2, 0)
    assert motor.hall_inverted == (False, False, True)
    assert motor.hall_error_deg == (2.0, 0.0, -1.0)  # electrical, of four pole pairs
    assert motor.phase_order == (0, 2, 1)


def speed_after_a_start(rig, rpm: int) -> float:
    """Mean speed of the shaft a second after a start with Hall sensors, rpm."""
    world = world_for(rig, "wiring")
    drive = world.drive
    drive.set_supply(24.0, 10.0, True)
    drive.advance(0.2)
    drive.feed(f"stream,200\nsense,0\nstart,{rpm}\n".encode())
    drive.advance(1.0)
    before = drive.angle_deg
    drive.advance(0.1)
    turned = (drive.angle_deg - before) / 360.0
    world.close()
    return turned / 0.1 * 60.0


def test_sensors_on_the_wrong_inputs_keep_the_motor_from_running(rig) -> None:
    swapped = with_twin(rig, wiring=Wiring(hall_order=("b", "a", "c")))
    assert speed_after_a_start(rig, 1000) == pytest.approx(1000.0, rel=0.05)
    assert abs(speed_after_a_start(swapped, 1000)) < 500.0


def test_two_swaps_that_belong_together_turn_the_motor_the_other_way(rig) -> None:
    """As every electrician knows (common practice, no source): the sequence is what turns it.

    Two windings and the two sensors that lie mirrored to them: clockwise and counter-clockwise
    change places for the firmware, and the motor runs well.
    """
    wiring = Wiring(phase_order=("b", "a", "c"), hall_order=("c", "b", "a"))
    mirrored = with_twin(rig, wiring=wiring)
    assert speed_after_a_start(mirrored, 1000) == pytest.approx(-1000.0, rel=0.05)


def test_a_short_range_clips_what_the_board_measures(rig) -> None:
    clipped = with_twin(
        rig, measuring=Measuring.model_validate({"current-range": "50 mA", "current-noise": "0 A"})
    )
    world = world_for(clipped, "range")
    drive = world.drive
    drive.set_supply(24.0, 10.0, True)
    drive.advance(0.2)
    drive.feed(b"stream,200\nsense,0\nstart,1000\n")
    seen = []
    for _ in range(200):
        drive.advance(1e-3)
        seen.append(float(drive.firmware.inputs()["i_bus"]))
    world.close()
    assert max(seen) == pytest.approx(0.05, abs=0.05 / 2**11)
    assert np.count_nonzero(np.array(seen) >= 0.049) > 20


def test_dead_time_costs_the_diodes_of_the_power_stage_heat(rig) -> None:
    """While both gates are off the current flows through a diode: V I t_dead per edge."""

    def lost(dead_time: str) -> float:
        stage = PowerStage.model_validate({"dead-time": dead_time})
        one = world_for(with_twin(rig, power_stage=stage), "dead")
        drive = one.drive
        drive.set_supply(24.0, 10.0, True)
        drive.advance(0.2)
        drive.feed(b"stream,200\nsense,0\nstart,1000\n")
        drive.advance(1.0)
        before = drive.energies().switch
        drive.advance(0.5)
        energy = drive.energies().switch - before
        one.close()
        return float(energy)

    assert lost("2 us") > 1.02 * lost("0 s")


def test_parameters_can_still_be_varied(rig) -> None:
    found = drive_parameters(
        with_twin(rig, power_stage=PowerStage.model_validate({"dead-time": "1 us"})), 1
    )
    assert replace(found, baud=9600).bridge.dead_time == 1e-6
