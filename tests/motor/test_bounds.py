"""Worst cases against computed rows."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from hil.motor import bounds


# V1 = sqrt(V0^2 + J w^2/C): formula from practice and textbooks, numbers computed.
@pytest.mark.parametrize(("capacitance", "peak"), [(1000e-6, 76.8478), (4700e-6, 41.3516)])
def test_flat_motor_braked_into_the_link(capacitance, peak):
    found = bounds.lossless_bus_peak(
        voltage=24.0, inertia=135e-7, capacitance=capacitance, speed_rpm=6000.0
    )
    assert found == pytest.approx(peak, abs=1e-3)
    energy = bounds.kinetic_energy(inertia=135e-7, speed_rpm=6000.0)
    assert energy == pytest.approx(2.664793, abs=1e-6)


@pytest.mark.parametrize(
    ("voltage", "recovered", "peak"),
    [(24.0, 1.0, 136.0909), (48.0, 1.0, 142.2981), (24.0, 0.7, 114.6181)],
)
def test_larger_inertia(voltage, recovered, peak):
    found = bounds.lossless_bus_peak(
        voltage=voltage,
        inertia=1e-4,
        capacitance=2200e-6,
        speed_rpm=6000.0,
        recovered=recovered,
    )
    assert found == pytest.approx(peak, abs=1e-3)


def test_energy_and_capacitance_of_the_larger_inertia():
    assert bounds.kinetic_energy(inertia=1e-4, speed_rpm=6000.0) == pytest.approx(19.739209)
    found = bounds.capacitance_to_stay_below(
        limit=36.0, voltage=24.0, inertia=1e-4, speed_rpm=6000.0
    )
    assert 1e3 * found == pytest.approx(54.8311, abs=1e-3)


def test_slowing_down_half_way_releases_the_difference():
    full = bounds.lossless_bus_peak(
        voltage=24.0, inertia=1e-5, capacitance=1e-3, speed_rpm=3000.0, to_speed_rpm=1500.0
    )
    energy = 0.5 * 1e-5 * ((100 * math.pi) ** 2 - (50 * math.pi) ** 2)
    assert full == pytest.approx(math.sqrt(24.0**2 + 2 * energy / 1e-3))


def test_speeding_up_does_not_raise_the_link():
    found = bounds.lossless_bus_peak(
        voltage=24.0, inertia=1e-5, capacitance=1e-3, speed_rpm=1000.0, to_speed_rpm=-3000.0
    )
    assert found == 24.0


@given(
    voltage=st.floats(0, 100),
    inertia=st.floats(1e-7, 1e-2),
    capacitance=st.floats(1e-5, 1),
    speed=st.floats(0, 1e5),
    share=st.floats(0, 1),
)
def test_bound_never_below_start_and_grows_with_speed(voltage, inertia, capacitance, speed, share):
    fixed = {"voltage": voltage, "inertia": inertia, "capacitance": capacitance}
    peak = bounds.lossless_bus_peak(**fixed, speed_rpm=speed)
    slack = 1e-9 * (1.0 + peak)
    assert peak >= voltage - slack
    assert bounds.lossless_bus_peak(**fixed, speed_rpm=speed * share) <= peak + slack
    assert bounds.lossless_bus_peak(**fixed, speed_rpm=-speed) == peak
    assert bounds.lossless_bus_peak(**fixed, speed_rpm=speed, recovered=share) <= peak + slack


@given(st.floats(1, 50), st.floats(1.01, 3), st.floats(1e-6, 1e-2), st.floats(10, 1e4))
def test_capacitance_is_the_inverse_of_the_bound(voltage, ratio, inertia, speed):
    limit = ratio * voltage
    capacitance = bounds.capacitance_to_stay_below(
        limit=limit, voltage=voltage, inertia=inertia, speed_rpm=speed
    )
    peak = bounds.lossless_bus_peak(
        voltage=voltage, inertia=inertia, capacitance=capacitance, speed_rpm=speed
    )
    assert peak == pytest.approx(limit, rel=1e-6)


@given(st.floats(1, 50), st.floats(1.01, 3), st.floats(1e-6, 1e-2), st.floats(1e-5, 0.1))
def test_highest_braking_speed_is_the_inverse_of_the_bound(voltage, ratio, inertia, capacitance):
    limit = ratio * voltage
    speed = bounds.highest_braking_speed(
        limit=limit, voltage=voltage, inertia=inertia, capacitance=capacitance
    )
    peak = bounds.lossless_bus_peak(
        voltage=voltage, inertia=inertia, capacitance=capacitance, speed_rpm=speed
    )
    assert peak == pytest.approx(limit, rel=1e-9)


@pytest.mark.parametrize(("pole_pairs", "degrees"), [(4, 45.0), (7, 25.714)])
def test_alignment_displacement(pole_pairs, degrees):
    # Common practice, no source: worst case 180 electrical degrees.
    assert bounds.alignment_displacement(pole_pairs) == pytest.approx(degrees, abs=1e-3)


def test_overload_integral_and_time():
    # Definition of I^2 t; the form (I^2 - Icont^2) t is common practice, no source.
    assert bounds.overload_integral(20.0, 2.5) == 1000.0
    assert bounds.overload_time(30.0, 10.0, 1000.0) == 1.25
    assert bounds.overload_time(10.0, 10.0, 1000.0) == math.inf
    assert bounds.overload_time(-30.0, 10.0, 1000.0) == 1.25


def test_stall_and_plugging_current():
    assert bounds.stall_current(voltage=24.0, resistance=1.2) == pytest.approx(20.0)
    assert bounds.stall_current(
        voltage=24.0, resistance=1.2, supply_resistance=0.05
    ) == pytest.approx(19.2)
    found = bounds.plugging_current(
        voltage=24.0, back_emf_constant=0.04, resistance=1.2, speed_rpm=-3000.0
    )
    assert found == pytest.approx((24.0 + 0.04 * 100 * math.pi) / 1.2)


@pytest.mark.parametrize(
    "call",
    [
        lambda: bounds.lossless_bus_peak(voltage=24, inertia=1e-5, capacitance=0.0, speed_rpm=1),
        lambda: bounds.lossless_bus_peak(voltage=-1, inertia=1e-5, capacitance=1e-3, speed_rpm=1),
        lambda: bounds.lossless_bus_peak(
            voltage=24, inertia=math.nan, capacitance=1e-3, speed_rpm=1
        ),
        lambda: bounds.lossless_bus_peak(
            voltage=24, inertia=1e-5, capacitance=1e-3, speed_rpm=1, recovered=1.1
        ),
        lambda: bounds.capacitance_to_stay_below(
            limit=24, voltage=24, inertia=1e-5, speed_rpm=1000
        ),
        lambda: bounds.highest_braking_speed(limit=24, voltage=24, inertia=1e-5, capacitance=1e-3),
        lambda: bounds.highest_braking_speed(limit=45, voltage=24, inertia=0, capacitance=1e-3),
        lambda: bounds.alignment_displacement(0),
        lambda: bounds.stall_current(voltage=24.0, resistance=0.0),
        lambda: bounds.overload_integral(1.0, -1.0),
    ],
    ids=[str(number) for number in range(10)],
)
def test_nonsense_is_refused(call):
    with pytest.raises(ValueError, match=r"\w"):
        call()
