"""The items of a made history: names, conditions, and how their measures spread."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

#: scenario -> measure, unit, typical value, scatter between nights, low, high. A scatter of 0 is a
#: count or a truth value that is always the same; no limits: no band.
_Row = tuple[str, str, float, float, float | None, float | None]
_ALWAYS: tuple[_Row, ...] = (
    ("speed-disagreement", "%", 0.4, 0.05, None, 3.0),
    ("voltage-disagreement", "%", 0.8, 0.08, None, 3.0),
    ("current-disagreement", "%", 9.0, 1.2, None, 40.0),
    ("direction-agreement", "1", 1.0, 0.0, 1.0, 1.0),
    ("telemetry-loss", "%", 0.0, 0.0, None, 2.0),
    ("peak-current", "A", 2.1, 0.06, None, 6.0),
)
_MEASURES: dict[str, tuple[_Row, ...]] = {
    "start": (
        ("success", "1", 1.0, 0.0, 1.0, 1.0),
        ("time-to-speed", "s", 0.52, 0.008, None, 1.0),
        ("backward-kick", "deg", 1.6, 0.3, None, 5.0),
        ("total-kick", "deg", 2.4, 0.35, None, None),
        ("overshoot", "%", 3.1, 0.4, None, 10.0),
        ("settling-time", "s", 0.61, 0.012, None, 1.3),
        ("steady-error", "%", 0.05, 0.04, -2.0, 2.0),
        ("ripple", "%", 1.2, 0.1, None, None),
    ),
    "reversal": (
        ("success", "1", 1.0, 0.0, 1.0, 1.0),
        ("time-to-standstill", "s", 0.31, 0.006, None, 0.8),
        ("time-to-reverse-speed", "s", 0.88, 0.011, None, 1.8),
        ("dwell", "s", 0.04, 0.004, None, None),
        ("overshoot", "%", 4.0, 0.5, None, 12.0),
        ("peak-dc-link-voltage", "V", 27.4, 0.12, None, 34.0),
        ("steady-error", "%", 0.05, 0.04, -2.0, 2.0),
        ("fault-count", "1", 0.0, 0.0, 0.0, 0.0),
    ),
    "stall": (
        ("tripped", "1", 1.0, 0.0, 1.0, 1.0),
        ("latched", "1", 1.0, 0.0, 1.0, 1.0),
        ("restarts", "1", 0.0, 0.0, 0.0, 0.0),
        ("recovered", "1", 1.0, 0.0, 1.0, 1.0),
        ("trip-time-from-brake", "s", 0.42, 0.009, None, 0.8),
        ("trip-time-from-standstill", "s", 0.25, 0.007, None, None),
        ("let-through", "A^2*s", 3.3, 0.15, None, 8.0),
        ("speed-dip", "%", 99.0, 0.3, None, None),
    ),
    "speed-step": (
        ("transition-duration", "s", 0.21, 0.004, None, 0.5),
        ("overshoot", "%", 5.2, 0.5, None, 15.0),
        ("undershoot", "%", 1.1, 0.2, None, None),
        ("settling-time-2", "s", 0.44, 0.009, None, 0.9),
        ("settling-time-5", "s", 0.33, 0.008, None, 0.8),
        ("steady-error", "%", 0.05, 0.04, -2.0, 2.0),
        ("ripple", "%", 1.2, 0.1, None, None),
        ("wind-up-overshoot", "%", 6.0, 0.6, None, None),
    ),
}


@dataclass(frozen=True, slots=True)
class Spread:
    """One measure of one item: where it lies, how it scatters, what is allowed.

    Parameters
    ----------
    centre, scatter : mean and standard deviation between nights, in `unit`.
    within : standard deviation between repeats of a night, in parts of `scatter`.
    """

    measure: str
    unit: str
    centre: float
    scatter: float
    low: float | None
    high: float | None
    within: float = 0.5

    @property
    def banded(self) -> bool:
        """Whether there is a band."""
        return self.low is not None or self.high is not None

    @property
    def uncertainty(self) -> float:
        """Standard uncertainty of one value."""
        return 0.3 * self.scatter

    @property
    def beyond(self) -> float:
        """A value that fails the band, or would look odd without one."""
        if self.high is not None:
            return 1.25 * self.high + (self.high == 0.0)
        return self.low - 1.0 if self.low is not None else 1.5 * self.centre

    def at(self, sigmas: float) -> float:
        """The value so many standard deviations from the centre."""
        return self.centre + self.scatter * sigmas if self.scatter else self.centre


@dataclass(frozen=True, slots=True)
class Item:
    """One item of the plan."""

    name: str
    scenario: str
    title: str
    conditions: Mapping[str, str]
    requirements: tuple[str, ...]
    spreads: tuple[Spread, ...]


def items_of(number: int, seed: int) -> tuple[Item, ...]:
    """The first `number` items; the values of each are its own."""
    chance = np.random.default_rng((seed, 0))
    return tuple(_item(n, chance) for n in range(number))


def _item(number: int, chance: np.random.Generator) -> Item:
    kinds = list(_MEASURES)
    scenario = kinds[number % len(kinds)]
    rest, sensing = divmod(number // len(kinds), 2)
    rest, direction = divmod(rest, 2)
    speed = 500 + 100 * rest
    conditions = {
        "direction": ("cw", "ccw")[direction],
        "sensing": ("hall", "back-emf")[sensing],
        "supply": "24 V",
        "speed": f"{speed} rpm",
    }
    name = f"{scenario}.{conditions['sensing']}.{conditions['direction']}.{speed}rpm"
    spreads = []
    for measure, unit, centre, scatter, low, high in (*_MEASURES[scenario], *_ALWAYS):
        factor = float(chance.uniform(0.8, 1.2)) if scatter else 1.0
        spreads.append(Spread(measure, unit, centre * factor, scatter * factor, low, high))
    requirements = (f"PUMP-{scenario.upper()}-{1 + number % 3}",)
    title = f"{scenario.capitalize()} at {speed} rpm"
    return Item(name, scenario, title, conditions, requirements, tuple(spreads))


def plan_text(plan: Sequence[Item]) -> str:
    """A plan file that names the items; equal items give equal bytes."""
    lines = ["# Items of a made history.", "plan: nightly", "items:"]
    return "\n".join([*lines, *(f"  - {item.name}" for item in plan)]) + "\n"


def trace_of(item: Item, chance: np.random.Generator) -> bytes:
    """A Parquet trace of a run-up to speed, with marks."""
    from hil.core.trace import Channel, Mark, Trace
    from hil.store.traces import trace_bytes

    t = np.arange(0.0, 3.0, 0.005)
    target = float(item.conditions["speed"].split()[0])
    delay = float(chance.normal(0.2, 0.01))
    rise = np.where(t > delay, 1.0 - np.exp(-(t - delay) / 0.15), 0.0)
    speed = target * rise + chance.normal(0.0, 4.0, len(t))
    current = 0.4 + 1.7 * np.where(t > delay, np.exp(-(t - delay) / 0.12), 0.0)
    channels = (
        Channel("reported.speed", "rpm", t, np.round(speed)),
        Channel("witness.speed", "rpm", t, speed + chance.normal(0.0, 2.0, len(t))),
        Channel("reported.current", "A", t, current + chance.normal(0.0, 0.02, len(t))),
    )
    marks = (Mark("command", delay - 0.02), Mark("stop", 2.8))
    return trace_bytes(Trace({c.name: c for c in channels}, marks, end=3.0, frames=len(t)))
