"""A protection from end to end: trouble, fault, what the fault takes to go, and running again."""

from __future__ import annotations

from hil.core.drive import DriveState
from hil.plan import steps as plan
from hil.plan.protective import ProtectionParameters
from hil.scenarios.manoeuvres import Approach, reach, run_up
from hil.scenarios.scripted import carry_out
from hil.scenarios.steps import Steps, fault_from_words

#: A shaft that nothing drives stands this soon, s; else what follows is asked of one that turns.
COASTED = 3.0
#: The board must report idle this soon after a clear, s.
CLEARED = 1.0
#: Running again is judged over this, s.
RUN = 0.3


def protection(
    steps: Steps, approach: Approach, p: ProtectionParameters, *, voltage: float
) -> None:
    """Do to the running drive what the plan says, and see what comes of it.

    After a fault its cause is taken away, and the drive watched for twice the hold-off with the old
    set point sent again, then with zero, then cleared: what restarts meanwhile is seen turning. At
    the end it is started anew. What does not trip is left alone for the same time.

    Raises
    ------
    ManoeuvreFailed
        If the drive does not get to its speed, or refuses to stop or to be cleared.
    """
    bench, watch = steps.bench, 2.0 * p.hold_off
    run_up(steps, approach, speed=p.speed)
    carry_out(steps, p.cause, approach.direction, approach.tolerance, voltage)
    if p.expect == "no-trip":
        steps.say(f"endure it for {p.hold:g} s")
        bench.wait_unless(lambda: bench.latest.state is DriveState.FAULT, p.hold)
        _undo(steps, p.cause, voltage)
        steps.wait(watch)
        return
    steps.expect_fault(fault_from_words(p.fault), within=p.hold)
    tripped = bench.latest.state is DriveState.FAULT
    if tripped and p.clear_meanwhile:
        bench.wait_until(bench.at_rest, COASTED)
        steps.try_out("clear")
    _undo(steps, p.cause, voltage)
    if not tripped:
        steps.wait(watch)
        return
    steps.repeat_set_point()
    steps.wait(watch)
    steps.try_out("start", approach.direction * p.speed)
    steps.stop()
    steps.wait(watch)
    bench.wait_until(bench.at_rest, COASTED)
    steps.clear()
    steps.wait_for_state(DriveState.IDLE, within=CLEARED)
    steps.wait(watch)
    steps.start(approach.direction * p.speed, mark="restart")
    reach(steps, approach, approach.direction * p.speed)
    steps.wait(RUN)


def _undo(steps: Steps, cause: plan.Step, voltage: float) -> None:
    """Take away what does not end by itself."""
    match cause:
        case plan.BrakeOn():
            steps.release()
        case plan.SupplyOn():
            steps.supply(voltage)
        case plan.SetLine():
            steps.set_line(cause.line, not cause.closed)
        case plan.StandIn():
            steps.stand_in("")
        case _:
            pass  # a dip, a silence
