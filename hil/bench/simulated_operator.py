"""The person on the simulated bench: brakes the shaft by hand as the rig file says."""

from __future__ import annotations

from hil.bench.operator import Answer, Nobody, Operator, Request
from hil.plan.rig import Rig
from hil.plan.simulated import SimulatedOperator
from hil.twin.world import World


class OnTheTwin:
    """See `hil.bench.operator.Operator`."""

    def __init__(self, told: SimulatedOperator, world: World) -> None:
        self._told, self._world = told, world
        self._request: Request | None = None
        self._asked = 0.0

    def absent(self) -> str:
        """There is somebody."""
        return ""

    def ask(self, request: Request) -> None:
        """Begin to think."""
        self._request, self._asked = request, self._world.now

    def answer(self) -> Answer | None:
        """Acts and answers when it is time, unless told to say nothing."""
        told, request, since = self._told, self._request, self._world.now - self._asked
        if request is None:
            return None
        if told.answer == "done" and since >= told.acts_after:
            self._world.advance(0.0)  # the drive may lag behind while nobody looks
            self._world.drive.set_brake(request.torque)
        if told.answer == "nothing" or since < max(told.acts_after, told.answers_after):
            return None
        return Answer(told.answer)

    def over(self, came_to: str) -> None:  # noqa: ARG002 - nobody to be told
        """Forget the question."""
        self._request = None


def operator_of(rig: Rig, world: World) -> Operator:
    """The person that the twin section of the rig file describes, or nobody."""
    if rig.twin.operator is None:
        return Nobody("the simulated bench has nobody to hold it")
    return OnTheTwin(rig.twin.operator, world)
