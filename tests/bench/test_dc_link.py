"""The board as a witness of a supply that cannot be proven off: what it reads, what it is not."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest

from hil.bench.bench import NOT_OFF
from hil.bench.dc_link import AS_OFF, WATCH, heard_of_link
from hil.core.errors import LinkError
from hil.ports.board import BoardReadings

Kit = SimpleNamespace


@pytest.fixture
def board(kit: Kit):
    kit.board.stream(True)
    kit.clock.sleep(0.1)
    return kit.board


def test_a_link_that_stays_up_looks_like_an_output_that_is_on(kit: Kit, board) -> None:
    board.feed_voltage = 23.4
    begun = kit.clock.now()
    told = heard_of_link(board, kit.clock, 24.0)
    assert told == (
        "the board read 23.4 V at its DC link 0.50 s later, as with the output still on at 24 V"
    )
    assert kit.clock.now() - begun == pytest.approx(WATCH, abs=0.03)


def test_a_link_that_has_fallen_is_told_at_once_and_is_no_proof(kit: Kit, board) -> None:
    kit.clock.at(0.2, lambda: setattr(board, "feed_voltage", 0.3))
    told = heard_of_link(board, kit.clock, 24.0)
    assert told.startswith("the board read 0.3 V at its DC link 0.2")
    assert told.endswith(" s later, as with the output off, which is no proof")


@pytest.mark.parametrize("volts", [12.0, 24.0 * AS_OFF, 21.5])
def test_what_lies_between_is_told_without_a_guess(kit: Kit, board, volts: float) -> None:
    board.feed_voltage = volts  # a shaft that still turns keeps it up
    told = heard_of_link(board, kit.clock, 24.0)
    assert told == f"the board read {volts:.1f} V at its DC link 0.50 s later"


def test_without_a_voltage_that_was_asked_for_there_is_nothing_to_compare_with(
    kit: Kit, board
) -> None:
    board.feed_voltage = 0.0
    assert heard_of_link(board, kit.clock, 0.0).endswith("the board read 0.0 V at its DC link "
                                                         "0.50 s later")  # fmt: skip


def nothing(told: str) -> bool:
    return told == "the board says nothing of its DC link either"


def test_a_board_that_is_silent_gone_or_defect_is_no_witness(kit: Kit, board) -> None:
    board.silent = True
    assert nothing(heard_of_link(board, kit.clock, 24.0))
    board.silent, board.broken = False, "unplugged"
    assert nothing(heard_of_link(board, kit.clock, 24.0))

    def defect() -> None:
        raise ZeroDivisionError

    board.broken, board.read = "", defect
    assert nothing(heard_of_link(board, kit.clock, 24.0))


def test_a_board_that_was_not_told_to_talk_yet_is_told(kit: Kit) -> None:
    assert nothing(heard_of_link(kit.board, kit.clock, 24.0))
    assert "24.0 V" in heard_of_link(kit.board, kit.clock, 24.0, mute=True)
    kit.board.stream(False)
    kit.bench.energise(24.0)
    kit.supply.broken = "no answer"
    (told,) = kit.bench.make_safe()
    assert "the board read 24.0 V" in told


def test_what_it_said_before_it_went_counts(kit: Kit, board) -> None:
    kit.clock.at(0.25, lambda: setattr(board, "broken", "unplugged"))
    told = heard_of_link(board, kit.clock, 24.0)
    assert told.startswith("the board read 24.0 V at its DC link 0.2")


class Replayed:
    """Answers each read with the next of these: board time and voltage, or nothing."""

    def __init__(self, *frames: tuple[float, float] | None) -> None:
        self.frames = list(frames)

    def read(self) -> BoardReadings:
        frame = self.frames.pop(0) if len(self.frames) > 1 else self.frames[0]
        if frame is None:
            return BoardReadings(np.empty(0), np.empty(0), {})
        stamp, volts = (np.array([number]) for number in frame)
        return BoardReadings(np.zeros(1), stamp, {"reported.voltage": volts})


def test_a_reading_that_is_no_number_takes_nothing_back(kit: Kit, board) -> None:
    board.feed_voltage = 23.4
    kit.clock.at(0.2, lambda: setattr(board, "feed_voltage", np.nan))
    told = heard_of_link(board, kit.clock, 24.0)
    assert told.startswith("the board read 23.4 V at its DC link 0.")


def test_what_had_arrived_before_and_what_only_repeats_itself_do_not_count(kit: Kit) -> None:
    assert nothing(heard_of_link(Replayed((1.0, 0.2)), kit.clock, 24.0))
    once = heard_of_link(Replayed((1.0, 0.2), None, (1.02, 24.1), (1.02, 24.1)), kit.clock, 24.0)
    assert once.startswith("the board read 24.1 V at its DC link 0.04 s later")


def test_a_board_without_a_clock_of_its_own_is_believed(kit: Kit) -> None:
    told = heard_of_link(Replayed((np.nan, 24.0)), kit.clock, 24.0)
    assert "24.0 V" in told


def test_a_board_that_does_not_report_its_voltage_is_no_witness(kit: Kit, board) -> None:
    plain = board.read

    def without() -> BoardReadings:
        found = plain()
        values = {k: v for k, v in found.values.items() if k != "reported.voltage"}
        return BoardReadings(found.host_time, found.board_time, values)

    board.read = without
    assert nothing(heard_of_link(board, kit.clock, 24.0))


def test_a_bench_that_is_safe_or_was_never_energised_asks_nobody(kit: Kit) -> None:
    kit.supply.broken = "no answer"
    assert kit.bench.make_safe() == [f"{NOT_OFF}: no answer"]
    kit.supply.broken = ""
    kit.bench.energise(24.0)
    assert kit.bench.make_safe() == []


def test_trouble_with_both_is_told_of_both(kit: Kit) -> None:
    kit.board.stream(True)
    kit.bench.energise(24.0)
    kit.supply.broken, kit.board.broken = "no answer", "unplugged"
    (told,) = kit.bench.make_safe()
    assert told == f"{NOT_OFF}: no answer; the board says nothing of its DC link either"
    with pytest.raises(LinkError):
        kit.board.read()
