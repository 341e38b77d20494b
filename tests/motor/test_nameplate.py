"""Nameplate relations against published data sheets and identities."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from hil.motor import nameplate as np_
from hil.motor.nameplate import Nameplate

# maxon catalogue, EC 45 flat 50 W and 70 W (motor data sheets; found, reproduced by computation).
# V, R ohm, J g cm2, k_M mNm/A, I0 mA -> n0 rpm, Tstall mNm, Istall A, kn rpm/V, slope rpm/mNm,
# tau ms
DATA_SHEETS = {
    "50 W, 24 V": (24, 0.942, 135, 36.0, 238, 6250, 918, 26, 265, 6.920, 9.790),
    "50 W, 18 V": (18, 0.447, 135, 29.5, 277, 5740, 1190, 40, 324, 4.910, 6.940),
    "50 W, 36 V": (36, 2.240, 135, 55.7, 151, 6060, 895, 16, 171, 6.890, 9.750),
    "70 W, 24 V": (24, 0.573, 181, 40.4, 270, 5600, 1690, 42, 236, 3.350, 6.350),
    "70 W, 36 V": (36, 1.560, 181, 57.0, 198, 5930, 1320, 23, 167, 4.580, 8.680),
    "70 W, 48 V": (48, 3.070, 181, 80.8, 135, 5580, 1260, 16, 118, 4.490, 8.510),
    "70 W, 60 V": (60, 7.370, 181, 152.0, 57, 3720, 1240, 8, 62.8, 3.040, 5.770),
}


@pytest.mark.parametrize("row", DATA_SHEETS.values(), ids=DATA_SHEETS)
def test_data_sheet_rows_are_reproduced(row):
    V, R, J, k, i0, n0, stall_torque, stall_current, kn, slope, tau = row
    motor = Nameplate(V=V, R=R, L=0.3e-3, K=k / 1e3, J=J * 1e-7, no_load_current=i0 / 1e3)
    assert motor.no_load_speed == pytest.approx(n0, rel=0.01)
    assert 1e3 * motor.stall_torque == pytest.approx(stall_torque, rel=0.005)
    assert motor.stall_current == pytest.approx(stall_current, rel=0.03)  # printed to an integer
    assert np_.speed_constant(motor.K) == pytest.approx(kn, rel=0.004)
    assert motor.slope / 1e3 == pytest.approx(slope, rel=0.004)
    assert 1e3 * motor.mechanical_time_constant == pytest.approx(tau, rel=0.004)


@pytest.mark.parametrize(
    ("row", "efficiency"), [("50 W, 18 V", 0.844), ("50 W, 36 V", 0.819)]
)  # printed on the same pages
def test_best_efficiency(row, efficiency):
    V, R, J, k, i0, *_ = DATA_SHEETS[row]
    motor = Nameplate(V=V, R=R, L=0.3e-3, K=k / 1e3, J=J * 1e-7, no_load_current=i0 / 1e3)
    assert motor.best_efficiency == pytest.approx(efficiency, abs=0.005)


@pytest.mark.parametrize(
    ("frequency", "poles", "speed"),
    [(50, 4, 1500), (60, 4, 1800), (100, 14, 857.142857), (400, 14, 3428.571429)],
)  # n = 120 f/poles, the definition
def test_speed_and_frequency(frequency, poles, speed):
    assert np_.speed_at(frequency, poles // 2) == pytest.approx(speed, abs=1e-6)
    assert np_.electrical_frequency(speed, poles // 2) == pytest.approx(frequency, abs=1e-6)


@given(K=st.floats(1e-3, 1.0), voltage=st.floats(0.1, 400.0))
def test_the_highest_speed_is_where_the_back_emf_is_the_voltage(K, voltage):
    assert np_.back_emf(K, np_.highest_speed(K, voltage)) == pytest.approx(voltage)


def test_torque_constant_times_speed_constant():
    # 30000/pi = 9549.2966 in mNm/A times rpm/V: an identity.
    assert 1e3 * 0.036 * np_.speed_constant(0.036) == pytest.approx(9549.2966, rel=1e-6)


def test_sine_and_trapezoid_english_units():
    # dynetic.com glossary (found, reproduced): Kt[lb in/A] = Ke[V/krpm]/11.834.
    lb_in = 0.1129848290276167  # N m
    K = np_.rad_s(1000.0)  # rad/s of 1 krpm
    assert 1.0 / (lb_in * K) == pytest.approx(1 / 11.834, rel=3e-4)


def test_time_constants_and_slope_formulas():
    motor = Nameplate(V=24.0, R=1.2, L=1.4e-3, K=0.04, J=1.5e-5)
    assert motor.electrical_time_constant == pytest.approx(1.4e-3 / 1.2)
    assert motor.mechanical_time_constant == pytest.approx(1.5e-5 * 1.2 / 0.04**2)
    assert motor.no_load_speed == pytest.approx(5729.578, abs=1e-3)
    assert motor.stall_current == pytest.approx(20.0)


@given(
    V=st.floats(1, 100),
    R=st.floats(0.01, 20),
    K=st.floats(1e-3, 1),
    J=st.floats(1e-7, 1e-2),
)
def test_speed_torque_line_ends_at_stall(V, R, K, J):
    motor = Nameplate(V=V, R=R, L=1e-3, K=K, J=J)
    scale = motor.no_load_speed
    assert motor.speed_under(motor.stall_torque) == pytest.approx(0.0, abs=1e-9 * scale)
    assert motor.speed_under(0.0) == motor.no_load_speed
    assert motor.current_under(motor.stall_torque) == pytest.approx(motor.stall_current)


@pytest.mark.parametrize("name", ["V", "R", "L", "K", "J"])
@pytest.mark.parametrize("bad", [0.0, -1.0, math.nan, math.inf])
def test_nonsense_on_a_nameplate_is_refused(name, bad):
    values = {"V": 24.0, "R": 1.0, "L": 1e-3, "K": 0.04, "J": 1e-5, name: bad}
    with pytest.raises(ValueError, match=name):
        Nameplate(**values)


def test_no_load_current_beyond_stall_is_refused():
    with pytest.raises(ValueError, match="no-load current"):
        Nameplate(V=24.0, R=1.0, L=1e-3, K=0.04, J=1e-5, no_load_current=24.0)


def line_to_line(angle):
    """Voltage between two phases, each a trapezoid of height 1 with a 120 degree flat top."""

    def phase(a):
        a = (a + 180.0) % 360.0 - 180.0
        return math.copysign(min(1.0, min(abs(a), 180.0 - abs(a)) / 30.0), a)

    return phase(angle) - phase(angle - 120.0)


def test_rms_convention_is_that_of_the_trapezoid():
    steps = 36_000
    wave = [line_to_line(360.0 * (i + 0.5) / steps) for i in range(steps)]
    rms = math.sqrt(sum(v * v for v in wave) / steps)
    assert max(wave) == pytest.approx(2.0)
    assert max(wave) / rms == pytest.approx(np_.TRAPEZOID_PEAK_OVER_RMS, rel=1e-6)


def test_back_emf_conventions():
    assert np_.back_emf_line_to_line_peak(0.04, "line-to-line-peak") == 0.04
    assert np_.back_emf_line_to_line_peak(0.02, "phase-peak") == 0.04
    rms = 0.04 / np_.TRAPEZOID_PEAK_OVER_RMS
    assert np_.back_emf_line_to_line_peak(rms, "line-to-line-rms") == pytest.approx(0.04)
    with pytest.raises(ValueError, match="unknown back-EMF convention 'peak'"):
        np_.back_emf_line_to_line_peak(0.04, "peak")


def test_winding_conventions():
    # Star R_LL = 2 R_ph, delta R_LL = 2/3 R_ph: star-delta relation (textbook, found and computed).
    assert np_.winding_line_to_line(0.6, "phase-star") == pytest.approx(1.2)
    assert np_.winding_line_to_line(1.8, "phase-delta") == pytest.approx(1.2)
    one_beside_two = 1.0 / (1.0 / 1.8 + 1.0 / 3.6)
    assert np_.winding_line_to_line(1.8, "phase-delta") == pytest.approx(one_beside_two)
    with pytest.raises(ValueError, match="unknown winding convention"):
        np_.winding_line_to_line(1.0, "star")


def test_copper_loss_of_two_phases_in_series():
    # 120-degree blocks of ±I have RMS sqrt(2/3) I a phase: I^2 R_LL = 3 I_rms^2 R_ph (identity).
    current, phase = 3.0, 0.6
    rms = math.sqrt(2.0 / 3.0) * current
    assert np_.copper_loss(current, 2 * phase) == pytest.approx(3 * rms**2 * phase)


@given(st.floats(-1e6, 1e6))
def test_speed_units_round_trip(speed):
    assert np_.rpm(np_.rad_s(speed)) == pytest.approx(speed, rel=1e-12, abs=1e-9)
