"""What tests in Python have of a board: every command of it, and no set point beyond the rig."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from hil.core.errors import CommandRefused, NotOffered, ScenarioError
from hil.ports.board import Board, Nudged, Timed
from hil.scenarios.checked_board import checked, unchecked
from hil.scenarios.steps import Steps


class Recording:
    """A board that notes what reaches it."""

    def __init__(self) -> None:
        self.got: list[tuple[Any, ...]] = []

    def __getattr__(self, name: str) -> Any:
        if name in ("turnaround", "nudge", "settle") or name.startswith("__"):
            raise AttributeError(name)
        return lambda *arguments: self.got.append((name, *arguments))


class Quick(Recording):
    """One that is `Timed` and `Nudged`."""

    turnaround = 0.002

    def nudge(self) -> bool:
        self.got.append(("nudge",))
        return True

    def settle(self) -> None:
        self.got.append(("settle",))


@given(speed=st.floats(allow_nan=True) | st.integers(-(10**6), 10**6))
@pytest.mark.parametrize("command", ["start", "set_speed"])
def test_a_set_point_reaches_the_board_as_it_is_or_not_at_all(rig, command: str, speed) -> None:
    inner = Recording()
    board = checked(inner, rig)
    if rig.motor.min_speed <= abs(speed) <= rig.motor.max_speed:
        getattr(board, command)(speed)
        assert inner.got == [(command, speed)]
    else:
        with pytest.raises(ScenarioError, match="speed: expected "):
            getattr(board, command)(speed)
        assert inner.got == []


@pytest.mark.parametrize("speed", ["2000 rpm", None, True])
def test_what_is_no_number_is_told(rig, speed) -> None:
    with pytest.raises(ScenarioError, match="speed: expected a number in rpm, found"):
        checked(Recording(), rig).start(speed)


def test_everything_else_passes(rig) -> None:
    inner = Quick()
    board = checked(inner, rig)
    board.select_sensing("back-emf")
    board.stream(True)
    for name in ("identify", "stop", "clear", "read", "nudge", "settle", "close"):
        getattr(board, name)()
    assert [name for name, *_ in inner.got] == [
        "select_sensing", "stream", "identify", "stop", "clear", "read", "nudge", "settle", "close",
    ]  # fmt: skip
    assert board.turnaround == 0.002


def test_a_sensing_that_the_rig_has_not_is_not_asked_for(rig) -> None:
    board = rig.board.model_copy(update={"sensing": ("hall",)})
    one = rig.model_copy(update={"board": board})
    with pytest.raises(NotOffered):
        checked(Recording(), one).select_sensing("back-emf")
    with pytest.raises(ScenarioError, match="expected 'hall' or 'back-emf', found 'hal'"):
        checked(Recording(), one).select_sensing("hal")


@pytest.mark.parametrize("inner", [Recording(), Quick()])
def test_it_has_the_ports_that_the_board_has(rig, inner) -> None:
    board = checked(inner, rig)
    assert isinstance(board, Board)
    for port in (Timed, Nudged):
        assert isinstance(board, port) is isinstance(inner, port)
    assert unchecked(board) is inner
    assert unchecked(inner) is inner


def test_what_the_board_itself_must_refuse_reaches_it(rig) -> None:
    inner = Recording()

    def refuse(speed: float) -> None:
        inner.got.append(("start", speed))
        raise CommandRefused("out of range")

    inner.start = refuse
    marks: list[str] = []
    bench = SimpleNamespace(
        board=checked(inner, rig),
        mark=lambda name, **_: marks.append(name),
    )
    steps = Steps.__new__(Steps)
    steps.bench, steps.say = bench, lambda _text: None
    steps.expect_refusal("start", 9000.0)
    assert inner.got == [("start", 9000.0)]
    assert marks == ["refused"]
