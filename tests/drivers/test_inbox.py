"""Telemetry between arrival and read: host times, bad data, slower messages beside the main one."""

from __future__ import annotations

import numpy as np
import pytest

from hil.drivers.inbox import MOST_BAD, Inbox
from hil.drivers.telemetry import Batch


def decode(name, items, host_time):
    """Items are numbers; a negative one does not decode."""
    good = np.array([item >= 0 for item in items], dtype=bool)
    values = np.array([item for item in items if item >= 0], dtype=float)
    bad = [f"{name}: {item}" for item in items if item < 0]
    seen.append((name, list(items), host_time))
    return Batch({f"reported.{name}": values}, np.full(values.size, np.nan), 0, good, bad)


seen = []


@pytest.fixture
def inbox():
    seen.clear()
    return Inbox(decode, ["telemetry-slow"], 0.5)


def test_rows_carry_the_time_of_their_arrival(inbox):
    inbox.add("telemetry", 1.0, [1, 2])
    inbox.add("telemetry", 1.1, [3])
    reading = inbox.take()
    assert reading.host_time.tolist() == [1.0, 1.0, 1.1]
    assert reading.values["reported.telemetry"].tolist() == [1.0, 2.0, 3.0]
    assert ("telemetry", [1, 2, 3], 1.0) in seen
    assert len(inbox.take()) == 0


def test_what_does_not_decode_costs_its_row_only(inbox):
    inbox.add("telemetry", 1.0, [1, -2])
    inbox.add("telemetry", 1.1, [3])
    reading = inbox.take()
    assert reading.host_time.tolist() == [1.0, 1.1]
    assert reading.bad == ("telemetry: -2",)


def test_slower_values_go_with_the_rows_after_them(inbox):
    inbox.add("telemetry", 1.0, [1])
    inbox.add("telemetry-slow", 1.1, [40])
    inbox.add("telemetry", 1.2, [2])
    inbox.add("telemetry-slow", 1.3, [50])
    inbox.add("telemetry", 1.3, [3])
    slow = inbox.take().values["reported.telemetry-slow"]
    assert np.isnan(slow[0])
    assert slow[1:].tolist() == [40.0, 50.0]
    inbox.add("telemetry", 1.7, [4])
    inbox.add("telemetry", 1.81, [5])  # 0.51 s after the last one
    slow = inbox.take().values["reported.telemetry-slow"]
    assert slow[0] == 50.0
    assert np.isnan(slow[1])


def test_rows_before_any_slower_value_have_none(inbox):
    inbox.add("telemetry", 1.0, [1])
    assert np.isnan(inbox.take().values["reported.telemetry-slow"]).all()
    assert inbox.take().values["reported.telemetry-slow"].shape == (0,)


def test_bad_data_is_kept_up_to_a_bound_and_counted_beyond(inbox):
    inbox.note_bad(["x"] * (MOST_BAD + 7))
    bad = inbox.take().bad
    assert len(bad) == MOST_BAD + 1
    assert bad[-1] == "7 further pieces of bad data"
    inbox.note_bad(["x"] * (MOST_BAD + 7))
    inbox.forget_bad()
    assert inbox.take().bad == ()


def test_lost_polls_are_lost_frames_with_a_text(inbox):
    reading = inbox.take(["no answer to the poll"])
    assert (reading.lost, reading.bad) == (1, ("no answer to the poll",))


def test_telemetry_nobody_wanted_is_dropped(inbox):
    inbox.add("telemetry", 1.0, [1])
    inbox.add("telemetry-slow", 1.0, [2])
    inbox.forget_telemetry()
    inbox.add("telemetry", 2.0, [3])
    reading = inbox.take()
    assert reading.values["reported.telemetry"].tolist() == [3.0]
    assert np.isnan(reading.values["reported.telemetry-slow"]).all()
