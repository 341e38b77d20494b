"""Steps that take a person: asking one while the bench stays watched.

    asked = ask(bench, hold(0.3), say)      # returns when the person has done it
    bench.mark_at("brake-on", asked.middle, uncertainty=asked.uncertainty)

While a person is asked, the bench waits as it always does: everything is read, the abort limits
hold, and the guard hears that the run goes on.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

from hil.bench.bench import Bench
from hil.bench.operator import Answer, NotAttended, Operator, OperatorStop, Request
from hil.core.drive import DriveState


@dataclass(frozen=True, slots=True)
class Asked:
    """When the person acted, on the host clock in s: some time from `begun` to `ended`."""

    begun: float
    ended: float

    @property
    def middle(self) -> float:
        """Best estimate, s."""
        return 0.5 * (self.begun + self.ended)

    @property
    def uncertainty(self) -> float:
        """Standard uncertainty of `middle`, s: rectangular (JCGM 100:2008, 4.3.7)."""
        return 0.5 * (self.ended - self.begun) / math.sqrt(3.0)


def hold(torque: float) -> Request:
    """To brake the shaft."""
    return Request(
        f"Hold the shaft with a tool, as firmly as {torque:g} N*m, until told to let go", torque
    )


def let_go() -> Request:
    """To release it."""
    return Request("Take the tool off the shaft; nothing may touch it any more", 0.0)


def nobody_there(operator: Operator) -> str:
    """Why nobody can hold the shaft, where it takes a person; or ""."""
    why = operator.absent()
    return why and f"no brake is wired, so that a person must hold the shaft, and {why}"


def require_operator(bench: Bench) -> None:
    """Make sure, before anything is energised, that there is somebody to ask.

    Raises
    ------
    NotAttended
        With the reason why there is nobody.
    """
    if why := nobody_there(bench.operator):
        raise NotAttended(why)


def ask(bench: Bench, request: Request, say: Callable[[str], None]) -> Asked:
    """Ask, and wait for the answer while the bench is read and watched.

    Question and answer go to `say`. A drive that faults meanwhile was braked before: there the span
    of the answer ends.

    Raises
    ------
    NotAttended
        If the person cannot, does not answer in time, or there is none.
    OperatorStop
        At the answer stop: the caller switches the supply off at once.
    """
    require_operator(bench)
    within, clock = bench.settings.answer_within, bench.clock
    request = Request(request.text, request.torque, within)
    say(f"operator asked: {request.text} ({within:g} s to answer)")
    faulted: list[float] = []
    answers: list[Answer] = []

    def answered() -> bool:
        if not faulted and bench.latest.state is DriveState.FAULT:
            faulted.append(clock.now())
        answer = bench.operator.answer()
        if answer is not None:
            answers.append(answer)
        return bool(answers)

    was_faulted = bench.latest.state is DriveState.FAULT
    begun = clock.now()
    bench.operator.ask(request)
    came_to = "ended by trouble on the bench"
    try:
        bench.wait_until(answered, within)
        took = clock.now() - begun
        came_to = f"answered {answers[0]} after {took:.1f} s" if answers else "no answer in time"
    except KeyboardInterrupt:  # Ctrl-C, or a termination
        came_to = "interrupted"
        raise
    finally:
        bench.operator.over(came_to)
        say(f"operator: {came_to}")
    if not answers:
        raise NotAttended(f"{request.text}: nobody answered within {within:g} s")
    if answers[0] is Answer.STOP:
        raise OperatorStop("the operator called for an immediate stop; see to the bench first")
    if answers[0] is Answer.CANNOT:
        raise NotAttended(f"{request.text}: the operator cannot")
    ended = faulted[0] if faulted and not was_faulted else clock.now()
    return Asked(begun, ended)
