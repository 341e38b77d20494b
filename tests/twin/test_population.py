"""Healthy rigs drawn by seed."""

from __future__ import annotations

from dataclasses import fields, replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from hil.twin.instruments.supply import SupplyRating
from hil.twin.parameters import DriveParameters
from hil.twin.population import SIGMAS, Distribution, Spread, Tolerances, healthy_rig

RECTANGULAR, NORMAL = Distribution.RECTANGULAR, Distribution.NORMAL
EVERY = Tolerances(
    back_emf=Spread(0.06, NORMAL),
    resistance=Spread(0.07, NORMAL),
    inductance=Spread(0.15, NORMAL),
    inertia=Spread(0.1, NORMAL),
    friction=Spread(0.4),
    cogging=Spread(0.4),
    hall_placement=Spread(3.0),
    load=Spread(0.15),
    shunt_gain=Spread(0.015),
    shunt_offset=Spread(0.03),
    voltage_gain=Spread(0.008),
    adc_noise=Spread(0.5),
    supply_resistance=Spread(0.5),
    supply_readback=Spread(1.0),
    ambient=Spread(10.0, RECTANGULAR, 25.0),
)
PLAIN = DriveParameters()


def drive(number: int, seed: int = 1, tolerances: Tolerances = EVERY) -> DriveParameters:
    return healthy_rig(tolerances, seed, number).applied("drive", PLAIN)


def test_a_rig_is_the_same_whenever_it_is_drawn() -> None:
    first = [healthy_rig(EVERY, 7, n) for n in range(1, 6)]
    again = [healthy_rig(EVERY, 7, n) for n in (5, 4, 3, 2, 1)]
    assert first == again[::-1]
    assert len({str(rig) for rig in first}) == 5
    assert healthy_rig(EVERY, 8, 1) != first[0]


def test_it_says_which_rig_it_is() -> None:
    assert healthy_rig(EVERY, 1, 12).name == "rig 12"


@pytest.mark.parametrize("name", [one.name for one in fields(Tolerances)])
def test_leaving_one_tolerance_out_changes_no_other(name) -> None:
    fewer = set(healthy_rig(replace(EVERY, **{name: None}), 3, 4).changes)
    every = set(healthy_rig(EVERY, 3, 4).changes)
    assert fewer < every
    alone = set(healthy_rig(replace(Tolerances(), **{name: getattr(EVERY, name)}), 3, 4).changes)
    assert every - fewer == alone


def test_without_tolerances_every_rig_is_the_one_of_the_file() -> None:
    assert healthy_rig(Tolerances(), 1, 1).changes == ()


def test_every_tolerance_changes_what_it_names() -> None:
    """No path leads nowhere, and the rig differs in every respect."""
    found = drive(1)
    for part in ("back_emf", "resistance", "inductance", "inertia", "coulomb", "viscous"):
        assert getattr(found.motor, part) != getattr(PLAIN.motor, part)
    assert found.motor.cogging != PLAIN.motor.cogging
    assert found.sensing.current_gain != 1.0
    assert found.sensing.current_offset != 0.0
    assert found.sensing.voltage_gain != 1.0
    assert found.sensing.current_noise != PLAIN.sensing.current_noise
    assert found.sensing.voltage_noise != PLAIN.sensing.voltage_noise
    assert found.supply.resistance != PLAIN.supply.resistance
    assert found.heat.ambient != 25.0
    supply = healthy_rig(EVERY, 1, 1).applied("supply", SupplyRating())
    assert np.isfinite(supply.misreading).all()


def test_each_sensor_and_each_friction_has_its_own_error() -> None:
    found = drive(2).motor
    assert len(set(found.hall_error_deg)) == 3
    coulomb, viscous = found.coulomb / PLAIN.motor.coulomb, found.viscous / PLAIN.motor.viscous
    assert coulomb != pytest.approx(viscous)


def test_mean_and_pulsation_of_the_load_go_together() -> None:
    nominal = replace(PLAIN, load=replace(PLAIN.load, mean=0.03, pulsation=0.012))
    found = healthy_rig(EVERY, 1, 5).applied("drive", nominal).load
    assert found.pulsation / found.mean == pytest.approx(0.4)
    assert found.mean != 0.03


@given(number=st.integers(1, 10**6), seed=st.integers(0, 2**32 - 1))
def test_no_rig_lies_outside_its_tolerances(number, seed) -> None:
    found = drive(number, seed)
    motor, nominal = found.motor, PLAIN.motor
    for part, within in (("back_emf", 0.06), ("resistance", 0.07), ("coulomb", 0.4)):
        ratio = getattr(motor, part) / getattr(nominal, part)
        assert abs(ratio - 1.0) <= within * (1.0 + 1e-9)
    assert max(map(abs, motor.hall_error_deg)) <= 3.0
    assert 15.0 <= found.heat.ambient <= 35.0
    assert abs(found.sensing.current_offset) <= 0.03


def test_rectangular_values_are_rectangular() -> None:
    rng = np.random.default_rng(1)
    values = [Spread(2.0, RECTANGULAR, 10.0).draw(rng) for _ in range(4000)]
    assert stats.kstest(values, stats.uniform(8.0, 4.0).cdf).pvalue > 0.01


def test_normal_values_are_normal_and_cut_off() -> None:
    rng = np.random.default_rng(2)
    values = [Spread(3.0, NORMAL).draw(rng) for _ in range(4000)]
    expected = stats.truncnorm(-SIGMAS, SIGMAS, scale=1.0)
    assert stats.kstest(values, expected.cdf).pvalue > 0.01
    assert max(map(abs, values)) <= 3.0


def test_a_population_spreads_as_its_tolerance_says() -> None:
    ratios = [drive(n).motor.back_emf / PLAIN.motor.back_emf for n in range(1, 801)]
    assert np.mean(ratios) == pytest.approx(1.0, abs=0.002)
    assert np.std(ratios) == pytest.approx(0.02, rel=0.1)


def test_quantities_are_drawn_independently() -> None:
    drawn = [drive(n).motor for n in range(1, 401)]
    table = np.array([[m.back_emf, m.resistance, m.coulomb, *m.hall_error_deg] for m in drawn])
    off_diagonal = np.corrcoef(table.T) - np.eye(table.shape[1])
    assert np.abs(off_diagonal).max() < 0.2  # 4 standard deviations of a correlation of 0


@pytest.mark.parametrize(("number", "seed"), [(0, 1), (-1, 1), (1, -1)])
def test_rigs_are_counted_from_one(number, seed) -> None:
    with pytest.raises(ValueError, match="no rig"):
        healthy_rig(EVERY, seed, number)


@pytest.mark.parametrize("within", [-0.1, np.inf, np.nan])
def test_a_tolerance_is_a_finite_width(within) -> None:
    with pytest.raises(ValueError, match="no tolerance"):
        Spread(within)
