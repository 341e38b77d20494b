"""Numbers with units: conversions, and the words used to refuse them."""

import math
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from hil.core.quantity import CANONICAL_UNITS
from hil.plan import units
from hil.plan.load import load_plan, load_rig
from hil.plan.units import convert, split

TESTPLANS = Path(__file__).parents[2] / "testplans"


@pytest.mark.parametrize(
    ("text", "kind", "value"),
    [
        ("24 V", "voltage", 24.0),
        ("24V", "voltage", 24.0),
        ("  24   V ", "voltage", 24.0),
        ("-3.5e1 mV", "voltage", -0.035),
        ("5 %", "ratio", 5.0),
        ("5 percent", "ratio", 5.0),
        ("3000 rpm", "speed", 3000.0),
        ("3 krpm", "speed", 3000.0),
        ("1 rad/s", "speed", 30.0 / math.pi),
        ("50 turn/s", "speed", 3000.0),
        ("135 g*cm^2", "inertia", 1.35e-5),
        ("135 g cm^2", "inertia", 1.35e-5),
        ("2200 uF", "capacitance", 2.2e-3),
        ("2200 µF", "capacitance", 2.2e-3),
        ("1.4 mH", "inductance", 1.4e-3),
        ("90 degC", "temperature", 90.0),
        ("-40 °C", "temperature", -40.0),
        ("300 K", "temperature", 26.85),
        ("2 K", "temperature difference", 2.0),
        ("-2 degC", "temperature difference", -2.0),
        ("2 delta_degC", "temperature difference", 2.0),
        ("9 degF", "temperature difference", 5.0),
        ("500 mK", "temperature difference", 0.5),
        ("0.03 N*m", "torque", 0.03),
        ("3 N m", "torque", 3.0),
        ("3 Nm", "torque", 3.0),
        ("30 mN*m", "torque", 0.03),
        ("30 mNm", "torque", 0.03),
        ("0.04 V*s/rad", "back-emf constant", 0.04),
        ("4 mV/rpm", "back-emf constant", 0.12 / math.pi),
        ("4 V/krpm", "back-emf constant", 0.12 / math.pi),
        ("265 rpm/V", "back-emf constant", 30.0 / math.pi / 265),
        ("36 mN*m/A", "back-emf constant", 0.036),
        ("2 turn", "angle", 720.0),
        ("1 rad", "angle", 180.0 / math.pi),
        ("1.2 ohm", "resistance", 1.2),
        ("500 mΩ", "resistance", 0.5),
        ("10 A^2*s", "let-through", 10.0),
        ("20 kHz", "frequency", 20000.0),
        ("15 ms", "time", 0.015),
        ("1", "count", 1.0),
        (3, "count", 3.0),
    ],
)
def test_conversions(text, kind, value):
    assert convert(text, kind) == pytest.approx(value, rel=1e-12)


@pytest.mark.parametrize(
    ("text", "kind", "said"),
    [
        ("24", "voltage", "a voltage with its unit, such as '24 V', found '24' without unit"),
        (24, "voltage", "found 24 without unit"),
        (True, "count", "expected a count"),
        (None, "voltage", "found None"),
        ("V", "voltage", "found 'V'"),
        ("3 A", "voltage", "found '3 A', which is a current"),
        ("24 V", "current", "expected a current with its unit, such as '3 A', found '24 V'"),
        ("1 eRPM", "speed", "electrical turns are divided by the pole pairs here: '0.25 rpm' for"),
        ("1 erpm", "torque", "'erpm' is not a known unit"),
        ("5 blorps", "torque", "'blorps' is not a known unit"),
        ("1 V + 2 V", "voltage", "is not a known unit"),
        ("nan V", "voltage", "found 'nan V'"),
        ("1e999 V", "voltage", "which is not finite"),
        ("3 Hz", "speed", "Hz leaves open whether electrical or mechanical turns are meant"),
        ("3 kHz", "speed", "kHz leaves open whether electrical"),
        ("200 rpm", "frequency", "rpm is a speed or an angle, no frequency"),
        ("3 J", "torque", "J is an energy or a power, no torque"),
        ("0.1 rad", "ratio", "rad is an angle or a count, no ratio"),
        ("5 m", "inertia", "found '5 m'"),
        ("2 V", "temperature difference", "such as '2 K', found '2 V', which is a voltage"),
        ("2 delta_degC", "temperature", "delta_degC is a difference of temperatures"),
        ("0 rpm/V", "back-emf constant", "found '0 rpm/V'"),
    ],
    ids=str,
)  # fmt: skip
def test_refusals(text, kind, said):
    with pytest.raises(ValueError, match="expected") as caught:
        convert(text, kind)
    assert said in str(caught.value)


@given(
    st.sampled_from(sorted(set(CANONICAL_UNITS) - {"count"})),
    st.floats(-1e9, 1e9).filter(lambda v: v == 0 or abs(v) > 1e-9),
)
def test_canonical_units_are_left_alone(kind, value):
    if kind == "back-emf constant" and value == 0:
        return
    assert convert(f"{value!r} {CANONICAL_UNITS[kind]}", kind) == pytest.approx(value, rel=1e-12)


def test_canonical_units_do_without_the_registry(monkeypatch):
    monkeypatch.setattr("hil.plan.units.registry", None)
    assert convert("0.04 V*s/rad", "back-emf constant") == 0.04
    with pytest.raises(ValueError, match="not finite"):
        convert("1e999 V", "voltage")


@given(
    st.sampled_from(sorted(units._COMMON)),
    st.decimals(-10_000, 10_000, places=3) | st.decimals(-10_000, 10_000, places=9),
)
def test_common_units_are_what_the_registry_makes_of_them(common, number):
    kind, unit = common
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(units, "_COMMON", {})
        expected = convert(f"{number} {unit}", kind)
    assert convert(f"{number} {unit}", kind) == expected


def test_the_shipped_files_do_without_the_registry(monkeypatch):
    monkeypatch.setattr("hil.plan.units.registry", None)
    rigs = sorted((TESTPLANS / "rigs").glob("*.yaml"))
    assert rigs
    for rig in rigs:
        load_rig(rig)
    for plan in TESTPLANS.glob("*.plan.yaml"):
        load_plan(plan)


@given(st.text(max_size=20), st.sampled_from(sorted(CANONICAL_UNITS)))
def test_any_text_converts_or_raises_value_error(text, kind):
    try:
        assert math.isfinite(convert(text, kind))
    except ValueError as error:
        assert "expected" in str(error)  # noqa: PT017  (most texts are refused, some are not)


@pytest.mark.parametrize(
    ("text", "parts"), [("24 V", (24.0, "V")), ("1e-3", (1e-3, "")), (".5 A", (0.5, "A"))]
)
def test_split(text, parts):
    assert split(text) == parts
