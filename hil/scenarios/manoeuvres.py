"""The four manoeuvres: start, reversal, stall, speed-step.

Each is run with the supply on and the board idle, works on `Steps`, and leaves the shaft turning
or the fault latched; `hil.scenarios.execute` brings it to rest. Speeds in rpm (positive, with
`direction` +1 or -1), times in s, torque in N m.
"""

from __future__ import annotations

from hil.core.drive import DriveState, Fault
from hil.core.errors import BenchError
from hil.motor.bounds import lossless_bus_peak
from hil.scenarios.steps import ManoeuvreFailed, Steps

#: Settled running before a manoeuvre begins, so that its entry levels can be measured.
SETTLE = 0.4


def start(
    steps: Steps, *, direction: int, speed: float, tolerance: float, within: float, hold: float
) -> None:
    """From standstill to `speed`, then `hold` seconds of steady running."""
    steps.bench.wait(0.1)  # shows the rest position and that nothing moves before the command
    steps.start(direction * speed)
    if steps.wait_for_speed(direction * speed, tolerance=tolerance, within=within):
        steps.wait(hold)


def run_up(
    steps: Steps, *, direction: int, speed: float, tolerance: float, within: float
) -> None:
    """Start as the preparation of another manoeuvre.

    Raises
    ------
    ManoeuvreFailed
        If the entry speed is not reached: then there is nothing to measure.
    """
    steps.start(direction * speed)
    if not steps.wait_for_speed(direction * speed, tolerance=tolerance, within=within):
        raise ManoeuvreFailed(
            f"entry speed {speed:g} rpm not reached within {within:g} s: {steps.describe()}"
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


def reversal(
    steps: Steps,
    *,
    direction: int,
    entry: float,
    speed: float,
    tolerance: float,
    within: float,
    hold: float,
) -> None:
    """From `entry` speed to `speed` in the other direction."""
    run_up(steps, direction=direction, speed=entry, tolerance=tolerance, within=within)
    steps.set_speed(-direction * speed)
    if steps.wait_for_speed(-direction * speed, tolerance=tolerance, within=within):
        steps.wait(hold)


def stall(
    steps: Steps,
    *,
    direction: int,
    speed: float,
    torque: float,
    tolerance: float,
    within: float,
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
        steps.start(direction * speed)
    else:
        run_up(steps, direction=direction, speed=speed, tolerance=tolerance, within=within)
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
    steps.start(direction * speed, mark="restart")
    steps.wait_for_speed(direction * speed, tolerance=tolerance, within=within)
    steps.wait(SETTLE)


def load_without_trip(
    steps: Steps,
    *,
    direction: int,
    speed: float,
    torque: float,
    tolerance: float,
    within: float,
    hold: float,
    watch: float,
) -> None:
    """The partner of a stall: a load just inside the limit, which must not trip."""
    run_up(steps, direction=direction, speed=speed, tolerance=tolerance, within=within)
    steps.brake(torque)
    steps.wait(hold)
    steps.release()
    steps.wait(watch)


def speed_step(
    steps: Steps,
    *,
    direction: int,
    entry: float,
    speed: float,
    tolerance: float,
    within: float,
    hold: float,
    torque: float = 0.0,
    saturated_for: float = 0.0,
) -> None:
    """From `entry` to `speed`; with `torque` the step is made into a braked shaft, then released.

    The braked step drives the speed controller into its limit; what it does after the release
    shows how it keeps its integral part.
    """
    run_up(steps, direction=direction, speed=entry, tolerance=tolerance, within=within)
    if torque > 0.0:
        steps.brake(torque, mark="load-on")
        steps.set_speed(direction * speed)
        steps.wait(saturated_for)
        steps.release(mark="load-off")
    else:
        steps.set_speed(direction * speed)
    steps.wait_for_speed(direction * speed, tolerance=tolerance, within=within)
    steps.wait(hold)
