"""Synthetic waveforms with closed forms, and whole traces whose measures are known."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pytest

from hil.core.conditions import Conditions
from hil.core.drive import Direction, DriveState, Fault, Sensing
from hil.core.measure import Measure
from hil.core.trace import Accuracy, Channel, FloatArray, Mark, Trace
from hil.measures.catalogue import measure

KE, R = 0.05, 0.6  # V*s/rad and ohm, line to line

ACCURACY = {
    "witness.speed": Accuracy(0.001, 0.5, 0.1),
    "witness.position": Accuracy(0.0, 0.1, 360.0 / 4096.0),
    "reported.speed": Accuracy(0.01, 0.0, 1.0),
    "reported.current": Accuracy(0.02, 0.02, 0.001),
    "reported.peak": Accuracy(0.02, 0.02, 0.001),
    "reported.voltage": Accuracy(0.01, 0.0, 0.001),
    "supply.voltage": Accuracy(0.001, 0.01, 0.001),
    "supply.current": Accuracy(0.002, 0.005, 0.001),
}
UNIT = {"speed": "rpm", "setpoint": "rpm", "position": "deg", "current": "A", "peak": "A"}
UNIT |= {"voltage": "V", "temperature": "degC", "state": "1", "fault": "1"}

Function = Callable[[FloatArray], FloatArray]


def constant(value: float) -> Function:
    return lambda t: np.full_like(t, value)


def steps_of(changes: Sequence[tuple[float, float]], before: float = 0.0) -> Function:
    """Piecewise constant: each (t, value) holds from t on."""
    times = np.array([t for t, _ in changes])
    values = np.array([before, *(v for _, v in changes)], dtype=np.float64)
    return lambda t: values[np.searchsorted(times, t, side="right")]


def ramps(points: Sequence[tuple[float, float]]) -> Function:
    """Piecewise linear through (t, value)."""
    x, y = np.array(points, dtype=np.float64).T
    return lambda t: np.interp(t, x, y)


@dataclass
class Scene:
    """A drive of which everything is known; speeds are given as if it turned clockwise."""

    end: float
    speed: Function
    marks: Sequence[tuple[str, float]] = ()
    states: Sequence[tuple[float, DriveState]] = ((0.0, DriveState.RUN),)
    faults: Sequence[tuple[float, int]] = ((0.0, 0),)
    current: Function = field(default_factory=lambda: constant(1.0))
    voltage: Function = field(default_factory=lambda: constant(24.0))
    position: Function | None = None
    reported_speed: Function | None = None
    frames: int = 1000
    lost: int = 0
    leave_out: Sequence[str] = ()

    def trace(self, direction: int = 1, shift: float = 0.0) -> Trace:
        """The trace as a rig would capture it (witness 1 kHz, telemetry 200 Hz, supply 20 Hz)."""
        fast = np.arange(0.0, self.end + 1e-9, 0.001)
        mid = np.arange(0.0, self.end + 1e-9, 0.005)
        slow = np.arange(0.0, self.end + 1e-9, 0.05)
        degrees = np.concatenate(([0.0], np.cumsum(6.0 * self.speed(fast[:-1]) * 0.001)))
        if self.position is not None:
            degrees = self.position(fast)
        i, v, n = self.current(slow), self.voltage(slow), self.speed(slow)
        power = KE * np.abs(n) * np.pi / 30.0 * i + R * i * i
        reported = self.reported_speed or self.speed
        data: dict[str, tuple[FloatArray, FloatArray]] = {
            "witness.speed": (fast, direction * self.speed(fast)),
            "witness.position": (fast, direction * degrees),
            "reported.speed": (mid, direction * reported(mid)),
            "reported.setpoint": (mid, direction * reported(mid)),
            "reported.current": (mid, self.current(mid)),
            "reported.peak": (mid, 1.2 * self.current(mid)),
            "reported.voltage": (mid, self.voltage(mid)),
            "reported.temperature": (mid, constant(40.0)(mid)),
            "reported.state": (mid, steps_of([(t, float(s)) for t, s in self.states])(mid)),
            "reported.fault": (mid, steps_of([(t, float(f)) for t, f in self.faults])(mid)),
            "supply.voltage": (slow, v),
            "supply.current": (slow, power / v),
        }
        interval = {"witness": 0.001, "reported": 0.005, "supply": 0.05}
        channels = {
            name: Channel(
                name,
                UNIT[name.split(".")[1]],
                t + shift,
                y,
                ACCURACY.get(name, Accuracy()),
                0.0005,
                interval[name.split(".", maxsplit=1)[0]],
            )
            for name, (t, y) in data.items()
            if name not in self.leave_out
        }
        marks = tuple(Mark(n, t + shift, 0.0005) for n, t in sorted(self.marks, key=lambda m: m[1]))
        return Trace(channels, marks, self.end + shift, self.frames, self.lost, 0)


class Laboratory:
    """What tests ask for through the fixture `lab`."""

    Scene = Scene
    ramps = staticmethod(ramps)
    constant = staticmethod(constant)
    steps_of = staticmethod(steps_of)
    KE, R = KE, R

    @staticmethod
    def conditions(**changes: Any) -> Conditions:
        known: dict[str, Any] = {
            "direction": Direction.CLOCKWISE,
            "sensing": Sensing.HALL,
            "supply_voltage": 24.0,
            "pole_pairs": 4,
            "target": 2000.0,
            "back_emf_constant": KE,
            "resistance": R,
        }
        return Conditions(**{**known, **changes})

    def measures(self, kind: str, trace: Trace, **changes: Any) -> dict[str, Measure]:
        return {m.name: m for m in measure(kind, trace, self.conditions(**changes))}

    def judge_stall(self, scene: Scene, **changes: Any) -> dict[str, Measure]:
        """Measures of a stall from 2000 rpm that must trip."""
        asked = {"entry": 2000.0, "trip_expected": True}
        return self.measures("stall", scene.trace(), **{**asked, **changes})

    @staticmethod
    def without(trace: Trace, name: str, start: float, end: float) -> Trace:
        """The trace without the samples of one channel in [start, end]."""
        c = trace.channels[name]
        keep = (c.t < start) | (c.t > end)
        hole = Channel(
            c.name, c.unit, c.t[keep], c.y[keep], c.accuracy, c.time_uncertainty, c.interval
        )
        channels = {**trace.channels, name: hole}
        return Trace(channels, trace.marks, trace.end, trace.frames, trace.lost, trace.bad)

    @staticmethod
    def scaled(trace: Trace, name: str, factor: float) -> Trace:
        """The trace with one channel multiplied by a factor."""
        c = trace.channels[name]
        other = Channel(
            c.name, c.unit, c.t, factor * c.y, c.accuracy, c.time_uncertainty, c.interval
        )
        channels = {**trace.channels, name: other}
        return Trace(channels, trace.marks, trace.end, trace.frames, trace.lost, trace.bad)


@pytest.fixture(scope="session")
def lab() -> Laboratory:
    return Laboratory()


@pytest.fixture(scope="session")
def second_order() -> Callable[[FloatArray, float], FloatArray]:
    """Unit step response of wn^2/(s^2 + 2 zeta wn s + wn^2) at wn*t, zeta < 1 (closed form)."""

    def y(wt: FloatArray, zeta: float) -> FloatArray:
        b = np.sqrt(1.0 - zeta * zeta)
        wt = np.maximum(wt, 0.0)
        found: FloatArray = 1.0 - np.exp(-zeta * wt) / b * np.sin(b * wt + np.arccos(zeta))
        return found

    return y


@pytest.fixture
def stall() -> Scene:
    """Brake on at 1 s, standing at 1.1 s, trip at 1.4 s, clear at 2.5 s, restart, run to 5 s."""
    return Scene(
        end=5.0,
        speed=ramps(
            [(1.0, 2000.0), (1.1, 0.0), (3.0, 0.0), (3.5, 2000.0)],
        ),
        marks=[
            ("command", 0.0),
            ("brake-on", 1.0),
            ("fault-seen", 1.41),
            ("brake-off", 2.0),
            ("clear", 2.5),
            ("restart", 3.0),
        ],
        states=[
            (0.0, DriveState.RUN),
            (1.4, DriveState.FAULT),
            (2.5, DriveState.IDLE),
            (3.0, DriveState.RUN),
        ],
        faults=[(0.0, 0), (1.4, int(Fault.OVER_CURRENT)), (2.5, 0)],
        current=steps_of([(0.0, 2.0), (1.0, 6.0), (1.4, 0.0), (3.0, 3.0)]),
    )
