"""Board time across wraps and reads, and frames lost by the sequence counter."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from hil.drivers.continuity import Continuity
from hil.ports.link import FieldSpec

WRAP = 1 << 32
SPECS = (
    FieldSpec(name="seq", type="u8", role="sequence", modulus=256),
    FieldSpec(name="time", type="u32", role="board-time", scale=1e-6, modulus=WRAP),
)


def rows(sequence, micros):
    return np.array([sequence, micros], dtype=float)


def test_time_goes_on_through_the_wrap_and_through_reads():
    follow = Continuity(SPECS).follow
    first = follow(rows([1, 2], [WRAP - 2000, WRAP - 1000])).board_time
    second = follow(rows([3, 4], [0, 1000])).board_time
    np.testing.assert_allclose(np.diff([*first, *second]), 0.001, atol=1e-9)


@settings(deadline=None)
@given(
    st.integers(0, WRAP - 1),
    st.lists(st.integers(1, 1 << 30), min_size=1, max_size=40),
    st.lists(st.integers(1, 10), max_size=10),
)
def test_unwrapping_restores_any_increasing_time(start, steps, cuts):
    true = start + np.concatenate([[0], np.cumsum(steps)])
    follower, found, at = Continuity(SPECS), [], 0
    for size in [*cuts, true.size]:
        part = true[at : at + size]
        at += size
        found.append(follower.follow(rows(np.zeros(part.size), part % WRAP)).board_time)
    np.testing.assert_allclose(np.concatenate(found), true * 1e-6, rtol=1e-12)


def test_a_board_that_restarts_steps_back_instead_of_an_hour_ahead():
    follow = Continuity(SPECS).follow
    found = follow(rows([1, 2], [60_000_000, 1000]))
    assert found.board_time.tolist() == [60.0, 0.001]
    assert found.restarts == 1


def test_lost_frames_are_counted_inside_and_between_reads():
    follow = Continuity(SPECS).follow
    assert follow(rows([250, 251, 255], [0, 1, 2])).lost == 3
    assert follow(rows([0, 1], [3, 4])).lost == 0
    assert follow(rows([4], [5])).lost == 2
    assert follow(rows([], [])).lost == 0
    assert follow(rows([3], [6])).lost == 254


@settings(deadline=None)
@given(st.lists(st.integers(0, 254), min_size=1, max_size=60), st.integers(0, 255))
def test_any_pattern_of_losses_shorter_than_a_turn_is_counted(gaps, start):
    numbers = (start + np.cumsum([gap + 1 for gap in gaps])) % 256
    follower = Continuity(SPECS)
    follower.follow(rows([start], [0]))
    assert follower.follow(rows(numbers, np.arange(numbers.size))).lost == sum(gaps)


def test_restart_does_not_count_what_was_not_asked_for():
    follower = Continuity(SPECS)
    follower.follow(rows([10], [0]))
    follower.restart()
    assert follower.follow(rows([200], [1])).lost == 0


def test_a_counter_that_never_wraps():
    specs = (FieldSpec(name="seq", type="u32", role="sequence"),)
    follow = Continuity(specs).follow
    assert follow(np.array([[5.0, 6.0, 9.0]])).lost == 2
    assert follow(np.array([[1.0]])).lost == 0  # the board restarted: nothing can be said


def test_without_the_fields_time_is_nan_and_nothing_is_lost():
    found = Continuity((FieldSpec(name="speed", type="i16"),)).follow(np.zeros((1, 3)))
    assert np.isnan(found.board_time).all()
    assert (found.lost, found.repeated, found.restarts) == (0, 0, 0)


def test_time_that_never_wraps_is_taken_as_it_is():
    specs = (FieldSpec(name="time", type="f32", role="board-time", offset=1.0),)
    follow = Continuity(specs).follow
    assert follow(np.array([[5.0, 4.0]])).board_time.tolist() == [6.0, 5.0]


def test_repeated_frames_are_counted_apart_from_lost_ones():
    follow = Continuity(SPECS).follow
    found = follow(rows([7, 7, 8, 11, 11, 11], [0, 0, 1, 2, 2, 2]))
    assert (found.lost, found.repeated) == (2, 3)
    found = follow(rows([11, 12], [2, 3]))
    assert (found.lost, found.repeated) == (0, 1)


def test_frames_lost_in_a_restart_are_unknown_and_not_counted():
    follow = Continuity(SPECS).follow
    found = follow(rows([100, 101, 0, 1, 3], [5_000_000, 5_001_000, 1000, 2000, 4000]))
    assert (found.lost, found.restarts) == (1, 1)
    assert follow(rows([250], [100]), host_time=1.0).restarts == 1


SHORT = (FieldSpec(name="time", type="u16", role="board-time", scale=1e-3, modulus=1 << 16),)


def short(*millis):
    return np.array([millis], dtype=float)


def test_whole_turns_of_a_short_board_time_are_counted_by_the_clock_of_the_host():
    follower = Continuity(SHORT)
    first = follower.follow(short(1000, 1010), host_time=50.0).board_time
    later = follower.follow(short(1020), host_time=50.0 + 2 * 65.536 + 0.01)
    assert later.board_time[0] - first[-1] == pytest.approx(2 * 65.536 + 0.010)
    assert later.restarts == 0


def test_a_restart_is_told_from_a_wrap_by_the_clock_of_the_host():
    follower = Continuity(SHORT)
    follower.follow(short(40_000), host_time=50.0)
    found = follower.follow(short(100), host_time=50.2)
    assert found.restarts == 1
    assert found.board_time[0] == pytest.approx(0.1)
    follower = Continuity(SHORT)
    follower.follow(short(65_500), host_time=50.0)
    found = follower.follow(short(100), host_time=50.2)
    assert found.restarts == 0
    assert found.board_time[0] == pytest.approx(65.636)


@settings(deadline=None)
@given(st.lists(st.integers(1, 400_000), min_size=1, max_size=20), st.floats(-0.4, 0.4))
def test_any_pauses_with_a_host_that_reads_late_keep_the_board_time(pauses, late):
    true = np.cumsum(pauses)
    follower = Continuity(SHORT)
    follower.follow(short(0), host_time=0.0)
    found = [
        follower.follow(short(t % (1 << 16)), host_time=t * 1e-3 + late * (i % 2)).board_time[0]
        for i, t in enumerate(true)
    ]
    np.testing.assert_allclose(found, true * 1e-3, atol=1e-9)
