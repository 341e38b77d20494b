"""When to ask: rhythm, one request at a time, answers that do not come."""

from __future__ import annotations

import math
from itertools import pairwise

from hypothesis import given, settings
from hypothesis import strategies as st

from hil.drivers.polling import Poller
from hil.ports.link import PollSpec

FAST = PollSpec(answer="telemetry", period=0.02)
SLOW = PollSpec(answer="telemetry-slow", period=0.1)


def test_nothing_is_asked_before_it_is_switched_on():
    poller = Poller([FAST], 0.5)
    assert poller.next(1.0) is None
    poller.switch(True, 1.0)
    assert poller.next(1.0) is FAST
    poller.switch(False, 1.0)
    poller.answered("telemetry")
    assert poller.next(9.0) is None


def test_one_request_at_a_time():
    poller = Poller([FAST, SLOW], 0.5)
    poller.switch(True, 0.0)
    assert poller.next(0.0) is FAST
    assert poller.next(0.01) is None
    assert poller.waiting(0.01)
    assert poller.answered("telemetry-slow") is False
    assert poller.answered("telemetry") is True
    assert poller.answered("telemetry") is False
    assert poller.next(0.01) is SLOW


def test_no_answer_is_lost_and_the_plan_goes_on():
    poller = Poller([FAST], 0.5)
    poller.switch(True, 0.0)
    poller.next(0.0)
    assert poller.waiting(0.49)
    assert not poller.waiting(0.5)
    assert poller.take_lost() == ["no answer to the poll for 'telemetry'"]
    assert poller.take_lost() == []
    assert poller.next(0.5) is FAST


def test_a_refused_poll_is_lost_with_its_reason():
    poller = Poller([FAST], 0.5)
    poller.switch(True, 0.0)
    poller.next(0.0)
    poller.refused("busy")
    assert poller.take_lost() == ["the poll for 'telemetry' was refused: busy"]
    assert not poller.waiting(0.0)


def test_something_else_goes_first_once():
    poller = Poller([FAST], 0.5)
    poller.switch(True, 0.0)
    assert poller.next(0.0) is FAST
    poller.give_way()
    poller.give_way()  # asked for twice, it is still one turn
    assert poller.next(0.1) is None  # an answer is awaited: the turn is still to come
    poller.answered("telemetry")
    assert poller.next(0.1) is None
    poller.give_way()  # but not twice in a row
    assert poller.next(0.1) is FAST
    assert poller.take_lost() == []


def test_a_turn_is_not_kept_for_the_next_stream():
    poller = Poller([FAST], 0.5)
    poller.give_way()
    poller.switch(True, 1.0)
    assert poller.next(1.0) is FAST


@settings(deadline=None)
@given(st.lists(st.floats(0.001, 0.05), min_size=30, max_size=200), st.floats(0.001, 0.02))
def test_polls_that_are_always_due_let_something_else_through(pauses, takes):
    """Each look: answers that are there are taken, a poll is sent, then something else may be."""
    poller = Poller([PollSpec(answer="telemetry", period=0.001)], 0.5)
    poller.switch(True, 0.0)
    now, sent_at, row, polls, others = 0.0, None, 0, 0, 0
    for pause in pauses:
        now += pause
        if sent_at is not None and now - sent_at >= takes:
            poller.answered("telemetry")
            sent_at = None
        if poller.next(now) is not None:
            sent_at, polls = now, polls + 1
        if sent_at is not None:
            poller.give_way()
            row = 0
        else:
            row += 1
            others += 1
        assert row <= 2  # nor does that keep the polls away
    assert others >= 1
    assert polls >= 1


@settings(deadline=None)
@given(
    look=st.floats(0.002, 0.02),
    takes=st.floats(0.0005, 0.03),
    period=st.floats(0.001, 0.1),
    every=st.floats(0.1, 1.0),
)
def test_a_word_in_between_loses_no_poll_and_puts_it_off_by_one_exchange(
    look, takes, period, every
):
    """As a bench does it: at each look what came is taken, a poll sent, then a word if it is due.

    One exchange takes until the first look at which its answer is there. A poll comes that much
    and a look after it was due at most, and one exchange more if a word had to go first.
    """
    poller = Poller([PollSpec(answer="telemetry", period=period)], 0.5)
    poller.switch(True, 0.0)
    exchange = math.ceil(takes / look) * look
    now, free_at, awaits, wants, spoke = 0.0, 0.0, "", 0.0, 0
    polled: list[tuple[float, int]] = []
    while now < 5.0:
        now += look
        if awaits and now >= free_at:
            if awaits == "poll":
                assert poller.answered("telemetry")
            awaits = ""
        if not awaits and poller.next(now) is not None:
            polled.append((now, spoke))
            awaits, free_at = "poll", now + takes
        if now >= wants:
            if awaits:
                poller.give_way()
                # its turn comes after what is on the line, whatever else is due
                assert now - wants <= 2.0 * exchange + 2.0 * look
            else:
                awaits, free_at, wants, spoke = "word", now + takes, now + every, spoke + 1
    for (before, words), (after, more) in pairwise(polled):
        put_off = exchange + look if more > words else 0.0
        assert after - before <= max(period, exchange) + look + put_off + 1e-9
    assert poller.take_lost() == []
    assert spoke >= 4.0 / (every + 2.0 * exchange + 2.0 * look)


def test_rhythm_is_kept_and_what_was_missed_is_not_caught_up():
    poller = Poller([FAST], 0.5)
    poller.switch(True, 0.0)
    asked = []
    for tick in range(200):
        now = 0.007 * tick if tick < 100 else 5.0 + 0.007 * tick
        if poller.next(now):
            asked.append(now)
            poller.answered("telemetry")
    early = [t for t in asked if t < 0.7]
    # every 20 ms, looked at every 7 ms: on average the rhythm holds
    assert len(early) == 35
    later = [t for t in asked if t > 5.0]
    assert min(b - a for a, b in pairwise(later)) > 0.012


@settings(deadline=None)
@given(st.lists(st.floats(0.001, 0.05), min_size=20, max_size=200))
def test_every_poll_gets_its_turn(pauses):
    plan = [PollSpec(answer=f"telemetry-{n}", period=p) for n, p in enumerate((0.02, 0.03, 0.1))]
    poller = Poller(plan, 0.5)
    poller.switch(True, 0.0)
    now, asked = 0.0, dict.fromkeys([p.answer for p in plan], 0)
    for pause in pauses:
        now += pause
        poll = poller.next(now)
        if poll is not None:
            asked[poll.answer] += 1
            poller.answered(poll.answer)
    assert min(asked.values()) >= 1
    for poll in plan:
        assert asked[poll.answer] <= now / poll.period + 1
