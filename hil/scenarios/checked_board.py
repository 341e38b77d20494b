"""The board as tests in Python have it: no set point beyond the rig reaches it.

bench.board = checked(bench.board, rig)     # bench.board.start(20000.0): ScenarioError
unchecked(bench.board)                      # for what the board itself must refuse
"""

from __future__ import annotations

from hil.core.record import Identity
from hil.plan.rig import Rig
from hil.ports.board import Board, BoardReadings, Nudged, Timed
from hil.scenarios.asked import Asked


class CheckedBoard:
    """Every command of a board; a speed that a plan could not ask for is a `ScenarioError`."""

    def __init__(self, board: Board, rig: Rig) -> None:
        self._board, self._asked = board, Asked(rig)

    def _speed(self, speed: object) -> float:
        backwards = isinstance(speed, int | float) and speed < 0.0
        size = self._asked.speed(-speed if backwards else speed)  # type: ignore[operator]
        return -size if backwards else size

    def identify(self) -> Identity:
        """See `hil.ports.board.Board`, as for what follows."""
        return self._board.identify()

    def start(self, speed: float) -> None:
        """Start towards a signed speed in rpm."""
        self._board.start(self._speed(speed))

    def set_speed(self, speed: float) -> None:
        """New signed set point in rpm."""
        self._board.set_speed(self._speed(speed))

    def stop(self) -> None:
        """Ask for an orderly stop."""
        self._board.stop()

    def clear(self) -> None:
        """Clear latched faults."""
        self._board.clear()

    def select_sensing(self, sensing: str) -> None:
        """``hall`` or ``back-emf``; ScenarioError if it is none, NotOffered if it is not there."""
        self._board.select_sensing(self._asked.sensing(sensing))

    def stream(self, on: bool) -> None:
        """Switch streaming telemetry on or off."""
        self._board.stream(on)

    def read(self) -> BoardReadings:
        """Everything that arrived since the last call."""
        return self._board.read()

    def close(self) -> None:
        """Release the port."""
        self._board.close()


class _Timed(CheckedBoard):
    """See `hil.ports.board.Timed`."""

    @property
    def turnaround(self) -> float:
        """As of the board itself, s."""
        assert isinstance(self._board, Timed)
        return self._board.turnaround


class _Nudged(CheckedBoard):
    """See `hil.ports.board.Nudged`."""

    def nudge(self) -> bool:
        """Ask who is there and return at once."""
        assert isinstance(self._board, Nudged)
        return self._board.nudge()

    def settle(self) -> None:
        """Wait for the answer to the last nudge."""
        assert isinstance(self._board, Nudged)
        self._board.settle()


class _TimedAndNudged(_Timed, _Nudged):
    """Both."""


def checked(board: Board, rig: Rig) -> CheckedBoard:
    """The same board, checked; whatever else of its ports it has, it still has."""
    kinds = {
        (False, False): CheckedBoard,
        (True, False): _Timed,
        (False, True): _Nudged,
        (True, True): _TimedAndNudged,
    }
    return kinds[isinstance(board, Timed), isinstance(board, Nudged)](board, rig)


def unchecked(board: Board) -> Board:
    """The board itself."""
    return board._board if isinstance(board, CheckedBoard) else board
