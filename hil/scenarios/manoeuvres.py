"""The manoeuvres: start, reversal, stall, speed-step, derating.

Each is run with the supply on and the board idle, works on `Steps`, and leaves the shaft turning
or the fault latched; `hil.scenarios.execute` brings it to rest. Speeds in rpm (positive, with
the direction in `Approach`), times in s, torque in N m.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from hil.core.drive import DriveState, Fault
from hil.core.errors import BenchError
from hil.motor.bounds import lossless_bus_peak
from hil.scenarios.steps import ManoeuvreFailed, Steps

#: Settled running before a manoeuvre begins, so that its entry levels can be measured.
SETTLE = 0.4
#: Before a start: shows the rest position and that nothing moves before the command.
REST = 0.1


@dataclass(frozen=True, slots=True)
class Approach:
    """How a manoeuvre gets to its speeds.

    Parameters
    ----------
    direction : +1 clockwise, -1 counter-clockwise.
    tolerance : half-width of the band that counts as 'at speed', % of the speed.
    within : s that reaching a speed may take.
    running : the shaft turns at the entry speed already; no start command is sent.
    """

    direction: int
    tolerance: float = 5.0
    within: float = 5.0
    running: bool = False


def reach(steps: Steps, approach: Approach, speed: float) -> bool:
    """Wait until the shaft turns at `speed` (signed) within the approach's tolerance."""
    return steps.wait_for_speed(speed, tolerance=approach.tolerance, within=approach.within)


def start(steps: Steps, approach: Approach, *, speed: float, hold: float) -> None:
    """From standstill to `speed`, then `hold` seconds of steady running."""
    steps.bench.wait(REST)
    steps.start(approach.direction * speed)
    if reach(steps, approach, approach.direction * speed):
        steps.wait(hold)


def run_up(steps: Steps, approach: Approach, *, speed: float) -> None:
    """Bring the shaft to the entry speed of another manoeuvre.

    Raises
    ------
    ManoeuvreFailed
        If the entry speed is not reached: then there is nothing to measure.
    """
    if not approach.running:
        steps.start(approach.direction * speed)
    if not reach(steps, approach, approach.direction * speed):
        raise ManoeuvreFailed(
            f"entry speed {speed:g} rpm not reached within {approach.within:g} s: "
            f"{steps.describe()}"
        )
    steps.wait(SETTLE)


def refuse_unsafe_reversal(
    *, entry: float, voltage: float, inertia: float, capacitance: float, limit: float
) -> float:
    """The highest possible DC-link voltage of a reversal, V, before anything moves.

    Raises
    ------
    BenchError
        If it lies above `limit`.
    """
    peak = lossless_bus_peak(
        voltage=voltage, inertia=inertia, capacitance=capacitance, speed_rpm=entry
    )
    if peak > limit:
        raise BenchError(
            f"reversal from {entry:g} rpm refused: braking could raise the DC link from "
            f"{voltage:g} V to {peak:.1f} V (lossless bound), above the rig's abort limit of "
            f"{limit:g} V; lower the entry speed or absorb the energy"
        )
    return peak


def reversal(steps: Steps, approach: Approach, *, entry: float, speed: float, hold: float) -> None:
    """From `entry` speed to `speed` in the other direction."""
    run_up(steps, approach, speed=entry)
    steps.set_speed(-approach.direction * speed)
    if reach(steps, approach, -approach.direction * speed):
        steps.wait(hold)


def stall(
    steps: Steps,
    approach: Approach,
    *,
    speed: float,
    torque: float,
    hold: float,
    watch: float,
    from_standstill: bool = False,
) -> None:
    """Hold the shaft until the drive trips, watch that it stays off, clear, start again.

    After the trip the brake comes off and the old command stays live for `watch` seconds: a drive
    that restarts by itself would be seen turning.
    """
    bench = steps.bench
    if from_standstill:
        steps.brake(torque)
        steps.start(approach.direction * speed)
    else:
        run_up(steps, approach, speed=speed)
        steps.brake(torque)
    tripped = steps.expect_fault(Fault.OVER_CURRENT | Fault.STALL, within=hold)
    tripped = tripped or bench.latest.state is DriveState.FAULT
    steps.release()
    steps.wait(watch)
    if not tripped:
        return
    steps.clear()
    if not steps.wait_for_state(DriveState.IDLE, within=1.0):
        return
    steps.start(approach.direction * speed, mark="restart")
    reach(steps, approach, approach.direction * speed)
    steps.wait(SETTLE)


def load_without_trip(
    steps: Steps, approach: Approach, *, speed: float, torque: float, hold: float, watch: float
) -> None:
    """The partner of a stall: a load just inside the limit, which must not trip."""
    run_up(steps, approach, speed=speed)
    steps.brake(torque)
    steps.wait(hold)
    steps.release()
    steps.wait(watch)


def derating(
    steps: Steps,
    approach: Approach,
    *,
    speed: float,
    torque: float,
    rungs: Iterable[str],
    soak: float,
    hold: float,
) -> None:
    """Brake a running shaft for a moment at each temperature, so that its current is at the limit.

    Between two temperatures the sensor is back in its place, so that the drive gets its speed
    again; one that has tripped, as the hottest may make it, is cleared and started again.

    Raises
    ------
    ManoeuvreFailed
        If it does not get there.
    """
    bench = steps.bench
    run_up(steps, approach, speed=speed)
    for number, rung in enumerate(rungs):
        if number:
            _run_again(steps, approach, speed)
        steps.stand_in(rung)
        steps.wait(soak)
        steps.brake(torque)
        bench.wait_unless(lambda: bench.latest.state is DriveState.FAULT, hold)
        steps.release()
        steps.stand_in("")
    bench.wait(REST)


def _run_again(steps: Steps, approach: Approach, speed: float) -> None:
    """Back to `speed` after a moment at standstill, by a new start where the drive tripped."""
    there = reach(steps, approach, approach.direction * speed)
    if steps.bench.latest.state is DriveState.FAULT:
        steps.clear()
        steps.wait_for_state(DriveState.IDLE, within=1.0)
        steps.start(approach.direction * speed, mark="restart")
        there = reach(steps, approach, approach.direction * speed)
    if not there:
        raise ManoeuvreFailed(
            f"{speed:g} rpm not reached again within {approach.within:g} s after the brake: "
            f"{steps.describe()}"
        )


def speed_step(
    steps: Steps,
    approach: Approach,
    *,
    entry: float,
    speed: float,
    hold: float,
    torque: float = 0.0,
    saturated_for: float = 0.0,
) -> None:
    """From `entry` to `speed`; with `torque` the step is made into a braked shaft, then released.

    The braked step drives the speed controller into its limit; what it does after the release
    shows how it keeps its integral part.
    """
    target = approach.direction * speed
    run_up(steps, approach, speed=entry)
    if torque > 0.0:
        steps.brake(torque, mark="load-on")
        steps.set_speed(target)
        steps.wait(saturated_for)
        steps.release(mark="load-off")
    else:
        steps.set_speed(target)
    reach(steps, approach, target)
    steps.wait(hold)
