"""Stated uncertainties hold: with errors drawn within the data sheets, deviations stay inside."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np

from hil.core.drive import DriveState, Fault
from hil.core.trace import Mark, Trace
from hil.measures.catalogue import measure
from hil.measures.waveform import last_entry, moving_mean

S = DriveState
DRAWS = 150


def disturbed(trace: Trace, rng: np.random.Generator) -> Trace:
    """The trace as another set of instruments of the same accuracy would have captured it.

    Gain and offset are drawn once per channel and uniform within the limits of error, the readings
    are rounded to the resolution, the time axis of each source is shifted by its uncertainty.
    """
    channels = {}
    for name, c in trace.channels.items():
        a = c.accuracy
        y = c.y * (1.0 + a.relative * rng.uniform(-1.0, 1.0)) + a.absolute * rng.uniform(-1.0, 1.0)
        if a.resolution > 0.0:
            y = np.round(y / a.resolution) * a.resolution
        shift = c.time_uncertainty * rng.standard_normal()
        channels[name] = replace(c, t=c.t + shift, y=y)
    marks = tuple(
        Mark(m.name, m.t + m.uncertainty * rng.standard_normal(), m.uncertainty)
        for m in trace.marks
    )
    return replace(trace, channels=channels, marks=marks)


def scores(
    kind: str, make: Callable[[np.random.Generator], Trace], names: dict[str, float], conditions
) -> dict[str, np.ndarray]:
    """Deviation from the truth over the stated standard uncertainty, per measure and draw."""
    rng = np.random.default_rng(11)
    found: dict[str, list[float]] = {name: [] for name in names}
    for _ in range(DRAWS):
        for m in measure(kind, disturbed(make(rng), rng), conditions):
            if m.name in names:
                assert m.value is not None, m
                assert m.uncertainty is not None
                found[m.name].append((m.value - names[m.name]) / m.uncertainty)
    return {name: np.array(values) for name, values in found.items()}


def assert_honest(z: dict[str, np.ndarray], least: float = 0.05) -> None:
    """Not too small (k=2 covers at least 93 %), and not so large as to say nothing."""
    for name, values in z.items():
        assert np.mean(np.abs(values) <= 2.0) >= 0.93, (name, np.max(np.abs(values)))
        assert np.sqrt(np.mean(values**2)) <= 1.25, name
        assert np.sqrt(np.mean(values**2)) >= least, name


def test_start(lab):
    def make(rng):
        # the phase of the sampling against the command is a matter of chance
        at = 0.5 + rng.uniform(0.0, 0.005)
        scene = lab.Scene(
            end=3.0,
            speed=lab.ramps([(at, 0.0), (at + 1.0, 2000.0)]),
            marks=[("command", at)],
            states=[(0.0, S.IDLE), (at, S.RUN)],
            current=lab.steps_of([(0.0, 0.0), (at, 5.0), (1.6, 1.0)]),
        )
        return scene.trace()

    truth = {"time-to-speed": 0.95, "steady-error": 0.0, "peak-current": 6.0}
    assert_honest(scores("start", make, truth, lab.conditions()))


def test_stall(lab):
    over = int(Fault.OVER_CURRENT)

    def make(rng):
        # the brake comes at another moment each time, the truth is the same for all
        at = 1.0 + rng.uniform(0.0, 0.005)
        scene = lab.Scene(
            end=2.5,
            speed=lab.ramps([(at, 2000.0), (at + 0.1, 0.0)]),
            marks=[("brake-on", at)],
            states=[(0.0, S.RUN), (at + 0.4, S.FAULT)],
            faults=[(0.0, 0), (at + 0.4, over)],
            current=lab.constant(4.0),
        )
        return scene.trace()

    truth = {
        "trip-time-from-brake": 0.4,
        "trip-time-from-standstill": 0.302,
        "let-through": 6.4,
    }
    z = scores("stall", make, truth, lab.conditions(entry=2000.0, trip_expected=True))
    assert_honest(z)


def test_reversal(lab):
    def make(rng):
        at = 1.0 + rng.uniform(0.0, 0.005)
        scene = lab.Scene(
            end=4.0,
            speed=lab.ramps([(at, 2000.0), (at + 0.4, 0.0), (at + 0.6, 0.0), (at + 1.2, -1500.0)]),
            marks=[("reverse", at)],
            voltage=lab.constant(31.0),
        )
        return scene.trace()

    truth = {
        "time-to-standstill": 0.392,
        "dwell": 0.224,
        "time-to-reverse-speed": 1.17,
    }
    z = scores("reversal", make, truth, lab.conditions(entry=2000.0, target=1500.0))
    # a common time shift and the gain both cancel in a difference of two instants
    assert_honest(z, least=0.01)


def test_speed_step(lab, second_order):
    def make(rng):
        at = 1.0 + rng.uniform(0.0, 0.005)
        scene = lab.Scene(
            end=3.5,
            speed=lambda t: 1000.0 + 1000.0 * second_order(20.0 * (t - at), 0.5),
            marks=[("set-point", at)],
        )
        return scene.trace()

    # the filter is part of what is defined
    t = np.arange(0.0, 2.5, 1e-5)
    smooth = moving_mean(t, second_order(20.0 * (t - 0.1), 0.5), 0.020)
    truth = {
        "overshoot": 16.303353,
        "settling-time-5": last_entry(t, smooth, 1.0, 0.05, 0.1),
        "steady-error": 0.0,
    }
    z = scores("speed-step", make, truth, lab.conditions(entry=1000.0))
    assert_honest(z, least=0.01)
