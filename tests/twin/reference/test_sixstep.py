"""The tables against the published Hall table and its invariants (table M1 to M4)."""

from __future__ import annotations

import numpy as np
import pytest

from hil.twin.reference.sensing_hall import hall_pattern
from hil.twin.reference.sixstep import FLOATING, HALL_TABLE, HIGH, LOW

# M1 (V-D): Ha Hb Hc over one electrical turn, and the sign of phases A B C
CODES = ["101", "100", "110", "010", "011", "001"]
PHASES = ["+-0", "+0-", "0+-", "-+0", "-0+", "0-+"]
TABLE = list(zip(CODES, PHASES, strict=True))


def code(text: str) -> int:
    """Port encoding: sensor A in bit 0."""
    return sum(int(c) << bit for bit, c in enumerate(text))


def signs(pattern: int) -> str:
    word = ["0", "0", "0"]
    word[HIGH[pattern]] = "+"
    word[LOW[pattern]] = "-"
    return "".join(word)


@pytest.mark.parametrize(("hall", "phases"), TABLE)
def test_clockwise_table(record, hall, phases):
    s = record()
    s["sector"] = HALL_TABLE[code(hall)]
    s["direction"] = 1
    assert signs(hall_pattern(s)) == phases


@pytest.mark.parametrize(("hall", "phases"), TABLE)
def test_counter_clockwise_swaps_plus_and_minus(record, hall, phases):
    # M2 (P, common practice)
    s = record()
    s["sector"] = HALL_TABLE[code(hall)]
    s["direction"] = -1
    assert signs(hall_pattern(s)) == phases.translate(str.maketrans("+-", "-+"))


def test_six_of_eight_codes_are_legal_and_neighbours_differ_in_one_bit():
    # M3 (V-D)
    assert [i for i, sector in enumerate(HALL_TABLE) if sector < 0] == [0b000, 0b111]
    order = [HALL_TABLE.index(sector) for sector in range(6)]
    for here, following in zip(order, order[1:] + order[:1], strict=True):
        assert (here ^ following).bit_count() == 1


def test_one_high_one_low_one_floating():
    # M3 (V-D)
    for pattern in range(6):
        assert {HIGH[pattern], LOW[pattern], FLOATING[pattern]} == {0, 1, 2}


def test_table_follows_from_the_angles_of_the_port():
    # firmware_port.h: A is high on [30, 210), B 120 degrees later, C 240
    for sector in range(6):
        angle = 60 + 60 * sector  # middle of the sector
        bits = sum(((angle - 120 * k) % 360 >= 30 and (angle - 120 * k) % 360 < 210) << k
                   for k in range(3))  # fmt: skip
        assert HALL_TABLE[bits] == sector


def test_pattern_has_the_most_torque_in_its_sector():
    # torque is current times back-EMF: A rises through 0 at 0 degrees and is flat from 30 to 150
    def emf(phase, degrees):
        return np.interp(
            (degrees - 120 * phase) % 360, [0, 30, 150, 210, 330, 360], [0, 1, 1, -1, -1, 0]
        )

    for sector in range(6):
        angle = 60 + 60 * sector
        torques = [emf(HIGH[p], angle) - emf(LOW[p], angle) for p in range(6)]
        assert int(np.argmax(torques)) == sector
        assert torques[sector] == pytest.approx(2.0)
        assert emf(FLOATING[sector], angle) == pytest.approx(0.0)
        rising = emf(FLOATING[sector], angle + 5) > 0
        assert rising == (sector % 2 == 1)
