"""Six-step table, sectors and the 30-degree rule against published rows."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from hil.motor import sixstep
from hil.motor.sixstep import commutation

# applied-ee.github.io, six-step commutation (found; one common arrangement, motor specific):
# Hall code (Ha Hb Hc) -> drive of A, B, C.
PUBLISHED = {
    (1, 0, 1): "+-0",
    (1, 0, 0): "+0-",
    (1, 1, 0): "0+-",
    (0, 1, 0): "-+0",
    (0, 1, 1): "-0+",
    (0, 0, 1): "0-+",
}
SIGN = {"+": 1, "-": -1, "0": 0}


def test_published_table():
    for code, drive in PUBLISHED.items():
        sector = sixstep.sector_of_hall(code)
        assert commutation(sector).drive == tuple(SIGN[c] for c in drive)
        assert commutation(sector).hall == code


def test_clockwise_order_is_the_published_one():
    assert list(sixstep.HALL_SEQUENCE) == list(PUBLISHED)


def test_reverse_swaps_the_rails_at_the_same_code():
    # Common practice, no source: same Hall code, + and - change places.
    for sector in range(6):
        forward, backward = commutation(sector), commutation(sector, clockwise=False)
        assert backward.hall == forward.hall
        assert backward.drive == tuple(-d for d in forward.drive)
        assert backward.floating == forward.floating


def test_reverse_sequence_runs_backwards():
    # Common practice, no source.
    codes, sector = [], 5
    for _ in range(6):
        codes.append(sixstep.HALL_SEQUENCE[sector])
        sector = sixstep.next_sector(sector, clockwise=False)
    assert ["".join(map(str, code)) for code in codes] == ["001", "011", "010", "110", "100", "101"]


def test_hall_invariants():
    # Same page: 6 of 8 codes, neighbours differ in one bit; one +, one -, one floating.
    codes = sixstep.HALL_SEQUENCE
    assert len(set(codes)) == 6
    assert set(codes).isdisjoint(sixstep.ILLEGAL)
    for sector in range(6):
        here, there = codes[sector], codes[sixstep.next_sector(sector)]
        assert sum(a != b for a, b in zip(here, there, strict=True)) == 1
        assert sorted(commutation(sector).drive) == [-1, 0, 1]
        assert commutation(sector).drive[commutation(sector).floating] == 0


@pytest.mark.parametrize("code", [(0, 0, 0), (1, 1, 1), (2, 0, 0), (1, 0)])
def test_codes_without_a_position_are_refused(code):
    with pytest.raises(ValueError, match="no rotor position"):
        sixstep.sector_of_hall(code)


@pytest.mark.parametrize("sector", [-1, 6])
def test_sector_out_of_range(sector):
    with pytest.raises(ValueError, match="0 to 5"):
        commutation(sector)


@pytest.mark.parametrize(("pole_pairs", "edges"), [(4, 24), (7, 42)])
def test_edges_per_turn(pole_pairs, edges):
    assert sixstep.edges_per_turn(pole_pairs) == edges


def test_sensor_spacing():
    # applied-ee.github.io: 120/7 = 17.1 mechanical degrees (found and computed).
    assert sixstep.sensor_spacing(7) == pytest.approx(17.1, abs=0.05)


@pytest.mark.parametrize(("speed", "pole_pairs", "delay"), [(3000, 4, 416.667), (6000, 7, 119.048)])
def test_thirty_degree_rule(speed, pole_pairs, delay):
    # applied-ee.github.io, sensorless back-EMF; Microchip developer help (found and computed).
    assert 1e6 * sixstep.crossing_to_commutation(speed, pole_pairs) == pytest.approx(
        delay, abs=1e-3
    )
    assert sixstep.crossing_to_commutation(-speed, pole_pairs) == sixstep.crossing_to_commutation(
        speed, pole_pairs
    )


def test_thirty_degrees_are_half_a_sector():
    period = 60.0 / (3000 * 4)
    assert sixstep.crossing_to_commutation(3000, 4) == pytest.approx(period / 6 / 2)


def test_no_crossing_at_standstill():
    with pytest.raises(ValueError, match="standstill"):
        sixstep.crossing_to_commutation(0.0, 4)


def test_sector_edges():
    angles = np.array([0.0, 59.999, 60.0, 359.999, 360.0, -0.001, -60.0, 720.0, -1e-300])
    assert sixstep.sector_of_angle(angles).tolist() == [0, 0, 1, 5, 0, 5, 5, 0, 0]
    assert sixstep.sector_of_angle(61.0).shape == ()
    assert sixstep.sector_of_angle([]).shape == (0,)


@pytest.mark.parametrize("bad", [np.nan, np.inf])
def test_sector_of_nonsense(bad):
    with pytest.raises(ValueError, match="finite"):
        sixstep.sector_of_angle([0.0, bad])


@given(st.floats(-1e5, 1e5), st.integers(-20, 20))
def test_sector_repeats_every_turn(angle, turns):
    inside = angle % 60.0
    if 1e-6 < inside < 60.0 - 1e-6:  # at an edge, rounding decides
        assert sixstep.sector_of_angle(angle) == sixstep.sector_of_angle(angle + 360.0 * turns)


@given(st.integers(0, 5), st.booleans())
def test_next_sector_and_back(sector, clockwise):
    there = sixstep.next_sector(sector, clockwise=clockwise)
    assert sixstep.next_sector(there, clockwise=not clockwise) == sector


def test_torque_is_positive_all_round():
    """The table drives each phase in the sense of its back-EMF, which makes torque."""

    def flat(angle):  # back-EMF of phase A: positive flat top over sectors 0 and 1
        a = angle % 360.0
        rising = 2.0 * (a + 60.0 if a < 180.0 else a - 300.0) / 60.0 - 1.0
        falling = 1.0 - 2.0 * (a - 120.0) / 60.0
        return float(np.clip(rising if a >= 300.0 or a < 60.0 else falling, -1.0, 1.0))

    for angle in np.arange(0.5, 360.0, 1.0):
        emf = [flat(angle - shift) for shift in (0.0, 120.0, 240.0)]
        drive = commutation(int(sixstep.sector_of_angle(angle))).drive
        assert sum(e * d for e, d in zip(emf, drive, strict=True)) == pytest.approx(2.0)
