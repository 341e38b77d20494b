"""Tolerances of healthy rigs in rig files."""

from __future__ import annotations

import pytest

from hil.core.errors import PlanError
from hil.plan.load import load_rig
from hil.plan.population import Population


@pytest.fixture
def with_population(shipped, write):
    """The demo rig with another population."""

    def make(lines: str):
        text = (shipped / "rigs" / "dosing-pump.yaml").read_text()
        head, _, _ = text.partition("  population:")
        text = head.replace("../profiles", str(shipped / "profiles"))
        return write(text + "  population:\n" + lines)

    return make


def test_the_demo_rig_states_every_tolerance(rig) -> None:
    stated = rig.twin.population
    for name in Population.model_fields:
        assert getattr(stated, name) is not None, name
    assert (stated.back_emf_constant.within, stated.back_emf_constant.distribution) == (
        6.0,
        "normal",
    )
    assert stated.shunt_offset.within == pytest.approx(0.03)
    assert (stated.ambient.min, stated.ambient.max) == (15.0, 35.0)


def test_a_rig_based_on_another_has_its_population(rig, shipped) -> None:
    other = load_rig(shipped / "rigs" / "dosing-pump-cobs.yaml")
    assert other.twin.population == rig.twin.population


def test_nothing_is_toleranced_by_default() -> None:
    assert all(value is None for _, value in Population())


def test_units_are_converted(with_population) -> None:
    path = with_population(
        "    shunt-offset: {within: 0.02 A, distribution: normal}\n"
        "    hall-placement: {within: 0.0025 turn, distribution: rectangular}\n"
    )
    stated = load_rig(path).twin.population
    assert stated.shunt_offset.within == pytest.approx(0.02)
    assert stated.hall_placement.within == pytest.approx(0.9)


@pytest.mark.parametrize(
    ("line", "said"),
    [
        ("resistance: {within: 7 %}", "distribution"),
        ("resistance: {within: 7 %, distribution: gaussian}", "distribution"),
        ("resistance: {within: 7, distribution: normal}", "ratio"),
        ("resistance: {within: 0.1 ohm, distribution: normal}", "ratio"),
        ("resistance: {within: -7 %, distribution: normal}", "zero or more"),
        ("load: {within: 100 %, distribution: normal}", "less than 100 %"),
        ("hall-placement: {within: -1 deg, distribution: normal}", "zero or more"),
        ("shunt-offset: {within: 5 %, distribution: normal}", "current"),
        ("gear-ratio: {within: 5 %, distribution: normal}", "gear-ratio"),
        ("ambient: {min: 35 degC, max: 15 degC, distribution: normal}", "lies above max"),
        ("ambient: {within: 10 degC, distribution: normal}", "ambient"),
        ("ambient: {min: -61 degC, max: 15 degC, distribution: normal}", "-60 to 150 degC"),
    ],
)
def test_what_is_refused_with_its_place(with_population, line, said) -> None:
    path = with_population(f"    {line}\n")
    with pytest.raises(PlanError, match=said) as caught:
        load_rig(path)
    assert f"{path.name}:" in str(caught.value)
    assert caught.value.line == path.read_text().count("\n")
