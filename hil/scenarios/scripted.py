"""A scenario written as a list of primitive steps."""

from __future__ import annotations

from collections.abc import Iterable

from hil.core.drive import DriveState
from hil.core.errors import HarnessError
from hil.plan import steps as plan
from hil.scenarios.manoeuvres import Approach
from hil.scenarios.steps import ManoeuvreFailed, Steps, fault_from_words


def run_steps(
    steps: Steps,
    sequence: Iterable[plan.Step],
    approach: Approach,
    *,
    voltage: float,
) -> None:
    """Carry out `sequence`; speeds in it are positive in the approach's direction.

    Raises
    ------
    ManoeuvreFailed
        When a step that waits for something does not get it, or the drive faults during a hold.
    """
    direction = approach.direction
    planned = list(sequence)
    for number, step in enumerate(planned, start=1):
        try:
            direction = carry_out(steps, step, direction, approach.tolerance, voltage)
        except ManoeuvreFailed as error:
            which = f"step {number} of {len(planned)} ({plan.written(step)})"
            raise ManoeuvreFailed(f"{which}: {error}") from error


def carry_out(  # noqa: PLR0912, PLR0915 - one branch a step is what this function is
    steps: Steps, step: plan.Step, direction: int, tolerance: float, voltage: float
) -> int:
    """Carry out one step; returns the direction in force afterwards."""
    match step:
        case plan.SupplyOn():
            steps.supply(step.voltage or voltage)
        case plan.SupplyOff():
            steps.supply_off()
        case plan.Start():
            steps.start(direction * step.speed)
        case plan.SetSpeed():
            steps.set_speed(direction * step.speed)
        case plan.Sweep():
            steps.sweep(direction * step.speed, step.seconds)
        case plan.Reverse():
            steps.reverse()
            return -direction
        case plan.Stop():
            steps.stop()
        case plan.BrakeOn():
            steps.brake(step.torque)
        case plan.Release():
            steps.release()
        case plan.Clear():
            steps.clear()
        case plan.Wait():
            steps.wait(step.seconds)
        case plan.Hold():
            steps.say(f"hold {step.seconds:g} s without a fault")
            latest = steps.bench.latest
            before = latest.fault_frames  # a fault that clears itself between two looks is one
            running = steps.is_to_turn and latest.state not in (None, DriveState.IDLE)
            if steps.bench.wait_unless(
                lambda: latest.state is DriveState.FAULT or latest.fault_frames > before,
                step.seconds,
            ):
                raise ManoeuvreFailed(f"fault while holding: {steps.describe()}")
            if running and latest.state is DriveState.IDLE:
                raise ManoeuvreFailed(
                    f"stopped by itself, without a fault, while holding: {steps.describe()}"
                )
        case plan.WaitForSpeed():
            speed = direction * step.speed
            if not steps.wait_for_speed(speed, tolerance=tolerance, within=step.within):
                raise ManoeuvreFailed(
                    f"{speed:+.0f} rpm not reached within {step.within:g} s: {steps.describe()}"
                )
        case plan.WaitForState():
            if not steps.wait_for_state(step.state, within=step.within):
                raise ManoeuvreFailed(
                    f"state {step.state.word} not reached within {step.within:g} s: "
                    f"{steps.describe()}"
                )
        case plan.ExpectFault():
            faults = fault_from_words(step.faults)
            if not steps.expect_fault(faults, within=step.within):
                raise ManoeuvreFailed(
                    f"expected fault {' or '.join(step.faults)} within {step.within:g} s, "
                    f"found {steps.describe()}"
                )
        case plan.Dip():
            steps.dip(step.voltage, step.seconds, step.edge)
        case plan.SetLine():
            steps.set_line(step.line, step.closed)
        case plan.Glitch():
            steps.glitch(step.line, step.seconds, times=step.times, every=step.every)
        case plan.StandIn():
            steps.stand_in(step.line)
        case plan.Silence():
            steps.silence(step.seconds)
        case plan.ExpectStill():
            steps.expect_still(step.seconds)
        case plan.ExpectRefusal():
            value = step.value if isinstance(step.value, str) else direction * (step.value or 0.0)
            steps.expect_refusal(step.command, value)
        case _:
            raise HarnessError(f"no way to carry out {step!r}")
    return direction
