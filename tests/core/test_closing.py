"""What is closed at the end of a ``with`` block, however that ends."""

from __future__ import annotations

import pytest

from hil.core.closing import Closing


class Door(Closing):
    def __init__(self) -> None:
        self.closed = 0

    def close(self) -> None:
        self.closed += 1


def test_a_block_gives_the_thing_itself_and_closes_it() -> None:
    door = Door()
    with door as inside:
        assert inside is door
        assert not door.closed
    assert door.closed == 1


@pytest.mark.parametrize("error", [ValueError("x"), KeyboardInterrupt()])
def test_what_ends_a_block_closes_and_goes_on(error: BaseException) -> None:
    door = Door()
    with pytest.raises(type(error)) as told, door:
        raise error
    assert told.value is error
    assert door.closed == 1


def test_without_a_way_to_close_there_is_no_such_thing() -> None:
    class Window(Closing):
        pass

    with pytest.raises(TypeError, match="close"):
        Window()  # type: ignore[abstract]
