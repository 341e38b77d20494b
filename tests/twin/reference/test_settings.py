from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from hil.twin.drive import Drive
from hil.twin.parameters import DriveParameters
from hil.twin.port import STATE_AT, STATE_MAX
from hil.twin.reference import SEAMS, ReferenceSettings, binding
from hil.twin.reference.settings import load
from hil.twin.reference.state import SETTING_FIELDS, STATE


def loaded(settings=None, protocol="lines", pwm_hz=20_000.0):
    state = np.zeros(1, STATE)[0]
    load(state, settings or ReferenceSettings(), protocol, pwm_hz)
    return state


def test_every_setting_field_is_written_by_the_reset():
    state = np.zeros(1, STATE)
    state.view(np.uint8)[:] = 0xA5
    record = state[0]
    load(record, ReferenceSettings(), "lines", 20_000.0)
    again = loaded()
    for name in STATE.names:
        assert np.array_equal(record[name], again[name], equal_nan=True), name


@pytest.mark.parametrize("name", [f.name for f in dataclasses.fields(ReferenceSettings)])
def test_every_setting_reaches_the_control_loop(name):
    default = getattr(ReferenceSettings(), name)
    other = {
        "model": "OTHER", "version": "9", "build": "1", "sensing": "back-emf",
        "defects": {"lag": 1.0},
    }.get(name)  # fmt: skip
    if other is None:
        if isinstance(default, tuple):
            other = tuple(2 * v for v in default)
        else:
            other = 2 * default if default else 3.0
    changed, usual = loaded(ReferenceSettings(**{name: other})), loaded()
    fields = [n for n in STATE.names if not np.array_equal(changed[n], usual[n], equal_nan=True)]
    assert fields


def test_seams_are_fields_of_the_state_and_neutral_by_default():
    state = loaded()
    for name, value in SEAMS.items():
        assert name in SETTING_FIELDS
        assert state[name] == value


@pytest.mark.parametrize("name", list(SEAMS))
def test_a_seam_changes_one_field_only(name):
    changed = loaded(ReferenceSettings(defects={name: 7}))
    usual = loaded()
    fields = [n for n in STATE.names if not np.array_equal(changed[n], usual[n], equal_nan=True)]
    assert fields == [name]


@pytest.mark.parametrize(
    ("settings", "message"),
    [
        ({"sensing": "optical"}, "optical.*hall, back-emf"),
        ({"defects": {"lagg": 1.0}}, "lagg.*lag"),
        ({"model": "A-MODEL-NAME-THAT-IS-TOO-LONG"}, "model.*16"),
        ({"version": ""}, "version.*8"),
        ({"build": "12,34"}, "build.*comma"),
        ({"model": "pümp"}, "ASCII"),
    ],
)
def test_refused_settings(settings, message):
    with pytest.raises(ValueError, match=message):
        ReferenceSettings(**settings)


def test_refused_protocol_and_frequency():
    with pytest.raises(ValueError, match=r"smoke.*lines, cobs"):
        binding("smoke")
    with pytest.raises(ValueError, match=r"0\.0 Hz"):
        loaded(pwm_hz=0.0)


@pytest.mark.parametrize("pwm_hz", [10_000.0, 20_000.0, 40_000.0])
def test_durations_do_not_depend_on_the_pwm_frequency(pwm_hz):
    s = loaded(pwm_hz=pwm_hz)
    assert s["slow_time"] == pytest.approx(1e-3)
    assert s["align_ticks"] / pwm_hz == pytest.approx([0.100, 0.150])
    assert s["stall_ticks"] / pwm_hz == pytest.approx(0.150)
    assert s["ramp_step"] * pwm_hz == pytest.approx(4000.0)
    assert s["align_rise"] * pwm_hz * 0.030 == pytest.approx(3.6)
    assert s["sector_rate"] / pwm_hz == pytest.approx(2.5)  # 60 / (6 sectors * 4 pole pairs)


def test_back_emf_constant_in_volts_per_rpm():
    # 0.040 V s/rad is 4.18879 mV per rpm: 2 pi / 60 rad/s per rpm
    assert loaded()["emf_per_rpm"] == pytest.approx(4.188790e-3, rel=1e-6)


def test_state_fits_the_port():
    assert STATE.itemsize <= STATE_MAX


def test_bindings_share_code_but_no_variables():
    first, second = binding(), binding("cobs", ReferenceSettings(sensing="back-emf"))
    assert first.period == second.period
    first.reset(20_000.0)
    second.reset(20_000.0)
    a, b = first.state(STATE), second.state(STATE)
    a["target"] = 1234.0
    assert b["target"] == 0.0
    assert (a["protocol"], b["protocol"]) == (0, 1)
    assert first.block.size >= STATE_AT + STATE.itemsize


def test_reset_brings_everything_back():
    one = binding()
    one.reset(20_000.0)
    before = one.block[STATE_AT:].copy()
    one.block[STATE_AT:] = 7
    one.reset(20_000.0)
    state = one.state(STATE)
    fresh = np.frombuffer(before.tobytes(), STATE)[0]
    for name in STATE.names:
        assert np.array_equal(state[name], fresh[name], equal_nan=True), name


def test_a_board_is_reset_once_when_it_is_powered_up(monkeypatch):
    written = []

    def counting(*told):
        written.append(told[-1])
        load(*told)

    monkeypatch.setitem(binding.__globals__, "load", counting)
    parameters = DriveParameters()
    drive = Drive(parameters, binding(), 1)
    assert written == [parameters.bridge.pwm_hz]
    drive.close()
