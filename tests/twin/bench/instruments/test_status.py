"""Error queue and status registers."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from hil.twin.instruments.status import QUEUE_LENGTH, ErrorQueue, EventRegister, Status, event_bit
from hil.twin.scpi import TEXTS, ScpiError


@pytest.mark.parametrize(
    ("code", "bit"),
    [
        # Q7 (V-D): error classes and their bits of the event register
        (-100, 32),
        (-113, 32),
        (-199, 32),
        (-200, 16),
        (-222, 16),
        (-299, 16),
        (-300, 8),
        (-350, 8),
        (-399, 8),
        (1, 8),
        (32767, 8),
        (-400, 4),
        (-410, 4),
        (-499, 4),
        (0, 0),
    ],
)
def test_event_bits(code: int, bit: int) -> None:
    assert event_bit(code) == bit


def test_queue_is_first_in_first_out_and_says_when_empty() -> None:
    # Q4 (V-D): <code>,"<text>[;<device info>]"; 0,"No error" when empty
    queue = ErrorQueue()
    queue.push(ScpiError(-222, "VOLT 99"))
    queue.push(ScpiError(-113))
    queue.push(ScpiError(201), "Sample memory overrun")
    assert [queue.pop() for _ in range(4)] == [
        '-222,"Data out of range;VOLT 99"',
        '-113,"Undefined header"',
        '201,"Sample memory overrun"',
        '0,"No error"',
    ]


def test_overflow_replaces_the_newest_and_keeps_the_older() -> None:
    # Q5 (V-D): the last entry becomes -350
    queue = ErrorQueue(3)
    for n in range(1, 4):
        assert queue.push(ScpiError(n), f"error {n}") == 8
    assert queue.push(ScpiError(-222)) == 16 | 8
    queue.push(ScpiError(-113))
    assert [queue.pop() for _ in range(4)] == [
        '1,"error 1"',
        '2,"error 2"',
        '-350,"Queue overflow"',
        '0,"No error"',
    ]


def test_device_info_cannot_break_the_reply() -> None:
    queue = ErrorQueue()
    queue.push(ScpiError(-141, 'say "x"\n\x00\u00b5' + "y" * 400))
    entry = queue.pop()
    assert entry.startswith("-141,\"Invalid character data;say 'x'???yyy")
    assert entry.count('"') == 2
    assert len(entry) == len('-141,""') + 255  # Q4 (V-D): at most 255 characters of text


@given(st.lists(st.sampled_from(sorted(TEXTS)), max_size=60))
def test_queue_is_bounded(codes: list[int]) -> None:
    queue = ErrorQueue()
    for code in codes:
        queue.push(ScpiError(code))
    assert len(queue) == min(len(codes), QUEUE_LENGTH)
    if len(codes) > QUEUE_LENGTH:
        entries = [queue.pop() for _ in range(QUEUE_LENGTH)]
        assert entries[-1].startswith("-350")
        assert [int(e.split(",")[0]) for e in entries[:-1]] == codes[: QUEUE_LENGTH - 1]


def test_events_are_rising_bits_that_stay_until_read() -> None:
    register = EventRegister(enable=1)
    register.update(1)
    register.update(0)
    assert register.summary
    register.update(1)
    assert (register.take(), register.take()) == (1, 0)
    register.update(1)  # still set: no new event
    assert register.take() == 0
    register.update(3)
    assert not register.summary  # bit 1 is not enabled
    assert register.take() == 2


def test_status_byte_bits() -> None:
    # Q12 (V-D): 4 queue, 8 questionable, 16 message, 32 standard event, 64 summary, 128 operation
    status = Status()
    status.standard.take()  # power-on
    assert status.byte(message_available=False) == 0
    assert status.byte(message_available=True) == 16
    status.report(ScpiError(-222))
    assert status.byte(message_available=False) == 4
    status.standard.enable = 16
    assert status.byte(message_available=False) == 4 | 32
    status.service_enable = 32
    assert status.byte(message_available=False) == 4 | 32 | 64
    assert status.byte(message_available=False) & 64, "*STB? does not clear the summary"
    status.questionable.enable = 1
    status.questionable.update(1)
    status.operation.enable = 2
    status.operation.update(2)
    assert status.byte(message_available=True) == 4 | 8 | 16 | 32 | 64 | 128
    status.preset()
    assert status.byte(message_available=False) == 4 | 32 | 64
    status.clear()
    assert status.byte(message_available=False) == 0
    assert status.standard.enable == 16, "*CLS leaves enables alone"
