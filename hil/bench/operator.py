"""The person at the bench: what can be asked, what can be answered, and where nobody is."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import Protocol

from hil.core.errors import BenchError

#: What anybody must be told who is to put a tool to a shaft that may turn.
CAUTIONS = (
    "Keep the shaft guarded but for the tool, and the motor secured.",
    "A tool, never a hand; no loose sleeves, gloves or hair; eye protection on.",
    "Motor and power stage are hot; the DC link stays charged after supply-off.",
    "Keep the hard-wired emergency stop within reach.",
    "Local codes and licensed practice come first.",
)


class NotAttended(BenchError):
    """Nobody did what takes a person: the item is not run, and nothing is known of the firmware."""


class OperatorStop(BenchError):
    """The person at the bench called for an immediate stop; only a person may go on from there."""


class Answer(StrEnum):
    """What the person can say."""

    DONE = "done"
    CANNOT = "cannot"
    STOP = "stop"


@dataclass(frozen=True, slots=True)
class Request:
    """What is asked for.

    Parameters
    ----------
    text : one sentence, an instruction.
    torque : N m with which the shaft is to be braked from then on.
    within : s to answer in; set by `ask`.
    """

    text: str
    torque: float
    within: float = 0.0


class Operator(Protocol):
    """A person who can be asked, one thing at a time."""

    def absent(self) -> str:
        """Why nobody can be asked, or ""."""

    def ask(self, request: Request) -> None:
        """Put the question, with the cautions and the time limit; returns at once."""

    def answer(self) -> Answer | None:
        """The answer, if there is one by now; never blocks."""

    def over(self, came_to: str) -> None:
        """Take the question away; `came_to` says what came of it."""


class Nobody:
    """No person: `reason` says why."""

    def __init__(self, reason: str = "this run is unattended (--hil-attended=off)") -> None:
        self.reason = reason

    def absent(self) -> str:
        """The reason."""
        return self.reason

    def ask(self, request: Request) -> None:
        """Nobody hears it.

        Raises
        ------
        NotAttended
        """
        raise NotAttended(f"{request.text}: {self.reason}")

    def answer(self) -> Answer | None:
        """None."""
        return None

    def over(self, came_to: str) -> None:
        """Ignore."""
