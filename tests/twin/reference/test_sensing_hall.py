from __future__ import annotations

import pytest

from hil.twin.reference.sensing_hall import commutate_by_hall, track_hall
from hil.twin.reference.state import RUN

FORWARD = [0b101, 0b001, 0b011, 0b010, 0b110, 0b100]  # sectors 0 to 5, sensor A in bit 0


def tick(s, code):
    s["tick"] += 1
    track_hall(s, code)


def test_first_sample_sets_the_sector_without_an_event(record):
    s = record()
    tick(s, FORWARD[3])
    assert (s["sector"], s["count"], s["hall_bad"]) == (3, 0, 0)


@pytest.mark.parametrize("step", [1, -1])
def test_each_neighbour_is_one_event_at_once(record, step):
    s = record()
    tick(s, FORWARD[0])
    for k in range(1, 13):
        for _ in range(9):
            tick(s, FORWARD[(step * (k - 1)) % 6])
        before = s["advance"]
        tick(s, FORWARD[(step * k) % 6])
        assert s["motion"] == step
        assert s["advance"] - before == step
        assert s["times"][s["head"]] == s["tick"] - 0.5


def test_a_jump_must_be_seen_three_times(record):
    s = record()
    tick(s, FORWARD[0])
    tick(s, FORWARD[3])
    tick(s, FORWARD[3])
    assert s["sector"] == 0
    tick(s, FORWARD[3])
    assert s["sector"] == 3
    assert s["hall_bad"] > 0


def test_a_glitch_of_two_samples_leaves_no_trace_in_position(record):
    s = record()
    for _ in range(10):
        tick(s, FORWARD[1])
    tick(s, FORWARD[4])
    tick(s, FORWARD[4])
    tick(s, FORWARD[1])
    tick(s, FORWARD[4])  # the count starts anew
    tick(s, FORWARD[4])
    assert (s["sector"], s["advance"]) == (1, 0)


@pytest.mark.parametrize("illegal", [0b000, 0b111])
def test_illegal_codes_fill_the_counter_and_good_ones_empty_it(record, illegal):
    s = record()
    tick(s, FORWARD[2])
    for _ in range(4):
        tick(s, illegal)
    assert s["sector"] == 2
    assert s["hall_bad"] == 16 < s["hall_trouble"]
    for _ in range(20):
        tick(s, FORWARD[2])
    assert s["hall_bad"] == 0


def test_commutates_in_the_same_period(record):
    s = record()
    s["state"] = RUN
    tick(s, FORWARD[0])
    commutate_by_hall(s)
    tick(s, FORWARD[1])
    commutate_by_hall(s)
    assert (s["pattern"], s["commutated_at"]) == (1, s["tick"])


def test_lag_is_a_seam_of_its_own_and_of_one_direction(record):
    for direction, expected in ((1, 2), (-1, 5)):
        s = record(defects={"lag": 2.0, "lag_reverse": 3.0})
        s["state"] = RUN
        s["direction"] = direction
        s["sector"] = 0
        s["pattern"] = s["next_pattern"] = 0 if direction > 0 else 3
        waited = 0
        tick(s, FORWARD[1])
        commutate_by_hall(s)
        while s["commutated_at"] != s["tick"]:
            tick(s, FORWARD[1])
            commutate_by_hall(s)
            waited += 1
        assert waited == expected


def test_shift_seam_turns_the_table(record):
    s = record(defects={"hall_shift": 1})
    s["state"] = RUN
    tick(s, FORWARD[2])
    commutate_by_hall(s)
    assert s["pattern"] == 3
