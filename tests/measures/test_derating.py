"""The current limit over temperature: curves of which the answer is known, and what is no curve."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from hil.core.drive import DriveState
from hil.core.ladder import line_of
from hil.core.measure import Outcome
from hil.core.trace import Accuracy, Mark

PERIOD, BRAKED = 0.5, 0.12  # s from one temperature to the next, and with the brake on
RUNGS = (50.0, 67.0, 70.0, 73.0, 76.0, 82.0)


def falling(start: float, end: float, full: float = 6.0):
    """The limit at each temperature: full, a line, nothing."""
    return lambda degrees: full * min(max((end - degrees) / (end - start), 0.0), 1.0)


@pytest.fixture(scope="session")
def curve(lab):
    """Measures of a trace in which the shaft is braked at each of the rungs."""

    def make(limit, rungs=RUNGS, *, accuracy=None, faults=(), **conditions):
        marks, current, states = [], [(0.0, 1.0)], [(0.0, DriveState.RUN)]
        for n, degrees in enumerate(rungs):
            at = 0.3 + n * PERIOD
            line = line_of(degrees)
            marks += [
                Mark("line-opened", at, 0.0, line),
                Mark("brake-on", at + 0.05, 0.0005),
                Mark("brake-off", at + 0.05 + BRAKED, 0.0005),
                Mark("line-closed", at + 0.18, 0.0, line),
            ]
            current += [(at + 0.06, limit(degrees)), (at + 0.172, 1.0)]
            if degrees in faults:
                states += [(at + faults[degrees], DriveState.FAULT), (at + 0.4, DriveState.RUN)]
        scene = lab.Scene(
            end=0.5 + len(rungs) * PERIOD, speed=lab.constant(1000.0), states=states,
            current=lab.steps_of(current),
        )  # fmt: skip
        trace = replace(scene.trace(), marks=tuple(marks))
        if accuracy is not None:
            told = trace.channels["reported.current"]
            channels = {**trace.channels, told.name: replace(told, accuracy=accuracy)}
            trace = replace(trace, channels=channels)
        return lab.measures("derating", trace, **conditions)

    return make


@pytest.mark.parametrize(("start", "end"), [(65.0, 80.0), (60.0, 78.0), (66.5, 81.0)])
def test_a_straight_fall_is_found_where_it_is(curve, start: float, end: float) -> None:
    found = curve(falling(start, end))
    assert found["derating-start"].value == pytest.approx(start, abs=1e-6)
    assert found["derating-end"].value == pytest.approx(end, abs=1e-6)
    assert found["derating-misfit"].value == pytest.approx(0.0, abs=1e-6)
    assert found["current-when-cold"].value == pytest.approx(6.0)
    assert found["current-when-hot"].value == pytest.approx(0.0)


@settings(max_examples=20)
@given(
    start=st.floats(52.0, 66.0), width=st.floats(13.0, 15.0), full=st.floats(0.5, 30.0)
)  # fmt: skip
def test_any_straight_fall_is_found_whatever_the_current(curve, start, width, full) -> None:
    found = curve(falling(start, start + width, full), tuple(range(50, 84, 2)))
    assert found["derating-start"].value == pytest.approx(start, abs=1e-4)
    assert found["derating-end"].value == pytest.approx(start + width, abs=1e-4)


def test_a_gain_error_of_the_current_cancels_and_a_rung_does_not(curve) -> None:
    gain = curve(falling(65.0, 80.0), accuracy=Accuracy(0.05, 0.0, 0.0))
    assert gain["derating-start"].uncertainty == 0.0
    assert gain["current-when-cold"].uncertainty == pytest.approx(6.0 * 0.05 / 3**0.5)
    rungs = curve(falling(65.0, 80.0), accuracy=Accuracy(), ladder_accuracy=1.0)
    # the mean of four rungs alone errs by 0.29 K; a line is less sure away from its middle
    assert 0.29 < rungs["derating-start"].uncertainty < 0.9
    doubled = curve(falling(65.0, 80.0), accuracy=Accuracy(), ladder_accuracy=2.0)
    ratio = doubled["derating-start"].uncertainty / rungs["derating-start"].uncertainty
    assert ratio == pytest.approx(2.0, rel=1e-6)


def test_an_offset_of_all_readings_moves_the_ends_as_it_says(curve) -> None:
    """0.1 A more everywhere: the cold limit and the line rise together, zero is met later."""
    found = curve(falling(65.0, 80.0), accuracy=Accuracy(0.0, 0.1, 0.0))
    assert found["derating-start"].uncertainty == pytest.approx(0.0, abs=1e-6)
    assert found["derating-end"].uncertainty == pytest.approx(0.1 / 0.4 / 3**0.5, rel=1e-3)


def test_what_bends_is_no_straight_fall(curve) -> None:
    def bent(degrees: float) -> float:
        return 6.0 - 0.9 if degrees == 73.0 else falling(65.0, 80.0)(degrees)

    found = curve(bent)
    assert found["derating-misfit"].value > 10.0
    assert "73 degC" in found["derating-misfit"].detail


def test_a_current_that_is_never_cut_is_told(curve) -> None:
    found = curve(falling(100.0, 110.0))
    for name in ("derating-start", "derating-end"):
        assert found[name].outcome is Outcome.NEVER_REACHED
        assert found[name].detail == "the current was not cut: 6 A at 82 degC, 6 A when cold"
    assert found["current-when-hot"].value == pytest.approx(6.0)


def test_a_fall_between_two_rungs_says_where_more_are_needed(curve) -> None:
    found = curve(falling(68.0, 69.0))
    assert found["derating-start"].outcome is Outcome.TOO_FEW_SAMPLES
    assert "above 67 degC" in found["derating-start"].detail


def test_a_temperature_at_which_the_drive_is_off_has_no_limit(curve) -> None:
    """A current of zero after a trip is no derating."""
    found = curve(falling(65.0, 80.0), (*RUNGS[:-1], 87.0), faults={87.0: 0.02, 76.0: 0.08})
    assert found["derating-start"].value == pytest.approx(65.0, abs=1e-6)
    said = found["current-when-hot"].detail
    assert said.startswith("at 73 degC; at 76 degC the drive tripped 0.0")
    assert said.endswith("at 87 degC the drive was in fault before the brake")


def test_a_broken_sensor_is_no_temperature(lab) -> None:
    scene = lab.Scene(end=2.0, speed=lab.constant(1000.0))
    marks = (Mark("line-opened", 0.5, 0.0, "temperature-open"), Mark("brake-on", 0.6))
    found = lab.measures("derating", replace(scene.trace(), marks=marks))
    assert found["derating-start"].outcome is Outcome.NOT_APPLICABLE
