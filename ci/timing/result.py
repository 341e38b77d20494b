"""What a benchmark found, and how to time things fairly on a machine that does other work too."""

from __future__ import annotations

import statistics
import time
from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal


@dataclass(frozen=True, slots=True)
class Result:
    """One figure; `goal` is None for a figure that is only for information."""

    name: str
    value: float
    unit: str
    better: Literal["higher", "lower"]
    goal: float | None = None

    @property
    def holds(self) -> bool:
        """Whether the goal is reached."""
        if self.goal is None:
            return True
        return self.value >= self.goal if self.better == "higher" else self.value <= self.goal


def seconds(action: Callable[[], object], *, cpu: bool = False) -> float:
    """Duration of `action` in s; with `cpu`, processor time of this process instead."""
    clock = time.process_time if cpu else time.perf_counter
    before = clock()
    action()
    return clock() - before


def side_by_side(
    *actions: Callable[[], object], rounds: int = 5, cpu: bool = False
) -> tuple[float, ...]:
    """Median duration of each action in s, run in turn so that a busy spell hits all alike."""
    times: list[list[float]] = [[] for _ in actions]
    for _ in range(rounds):
        for taken, action in zip(times, actions, strict=True):
            taken.append(seconds(action, cpu=cpu))
    return tuple(statistics.median(taken) for taken in times)
