"""Board time across wraps and reads, and frames lost by the sequence counter."""

from __future__ import annotations

import numpy as np
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
    first, _ = follow(rows([1, 2], [WRAP - 2000, WRAP - 1000]))
    second, _ = follow(rows([3, 4], [0, 1000]))
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
        found.append(follower.follow(rows(np.zeros(part.size), part % WRAP))[0])
    np.testing.assert_allclose(np.concatenate(found), true * 1e-6, rtol=1e-12)


def test_a_board_that_restarts_steps_back_instead_of_an_hour_ahead():
    follow = Continuity(SPECS).follow
    found, _ = follow(rows([1, 2], [60_000_000, 1000]))
    assert found.tolist() == [60.0, 0.001]


def test_lost_frames_are_counted_inside_and_between_reads():
    follow = Continuity(SPECS).follow
    assert follow(rows([250, 251, 255], [0, 1, 2]))[1] == 3
    assert follow(rows([0, 1], [3, 4]))[1] == 0
    assert follow(rows([4], [5]))[1] == 2
    assert follow(rows([], []))[1] == 0
    assert follow(rows([3], [6]))[1] == 254


@settings(deadline=None)
@given(st.lists(st.integers(0, 254), min_size=1, max_size=60), st.integers(0, 255))
def test_any_pattern_of_losses_shorter_than_a_turn_is_counted(gaps, start):
    numbers = (start + np.cumsum([gap + 1 for gap in gaps])) % 256
    follower = Continuity(SPECS)
    follower.follow(rows([start], [0]))
    assert follower.follow(rows(numbers, np.arange(numbers.size)))[1] == sum(gaps)


def test_restart_does_not_count_what_was_not_asked_for():
    follower = Continuity(SPECS)
    follower.follow(rows([10], [0]))
    follower.restart()
    assert follower.follow(rows([200], [1]))[1] == 0


def test_a_counter_that_never_wraps():
    specs = (FieldSpec(name="seq", type="u32", role="sequence"),)
    follow = Continuity(specs).follow
    assert follow(np.array([[5.0, 6.0, 9.0]]))[1] == 2
    assert follow(np.array([[1.0]]))[1] == 0  # the board restarted: nothing can be said


def test_without_the_fields_time_is_nan_and_nothing_is_lost():
    found, lost = Continuity((FieldSpec(name="speed", type="i16"),)).follow(np.zeros((1, 3)))
    assert np.isnan(found).all()
    assert lost == 0


def test_time_that_never_wraps_is_taken_as_it_is():
    specs = (FieldSpec(name="time", type="f32", role="board-time", offset=1.0),)
    follow = Continuity(specs).follow
    assert follow(np.array([[5.0, 4.0]]))[0].tolist() == [6.0, 5.0]
