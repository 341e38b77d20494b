"""What can be tuned in the reference firmware, and the seams through which a defect is seeded."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from types import MappingProxyType
from typing import Any

import numpy as np

from hil.twin.reference import state as st
from hil.twin.reference.sixstep import HALL_TABLE

PROTOCOLS = {"lines": st.LINES, "cobs": st.COBS}
SENSINGS = {"hall": st.SENSE_HALL, "back-emf": st.SENSE_BACK_EMF}

#: Seam -> its neutral value. Each changes one behaviour and nothing else.
SEAMS: Mapping[str, float] = MappingProxyType(
    {
        "speed_scale": 1.0,  # the control loop sees speed times this
        "current_scale": 1.0,  # the current limit sees current times this
        "trip_scale": 1.0,  # the over-current trip sees current times this
        "report_speed_scale": 1.0,  # telemetry only, as the next ones
        "report_current_scale": 1.0,
        "report_peak_scale": 1.0,
        "report_voltage_scale": 1.0,
        "report_temperature_offset": 0.0,  # K
        "lag": 0.0,  # ticks added between deciding to commutate and commutating
        "lag_reverse": 0.0,  # the same, counter-clockwise only
        "hall_shift": 0,  # sectors added to what the Hall table says
        "ahead": 200.0,  # rpm by which the ramped set point may lead while the limit acts
        "tracking": 0.2,  # share of the clipped voltage that leaves the integrator per slow step
        "fault_mask": 0,  # faults that are never raised, one bit each
        "latching": 1,  # 0: a fault clears itself as soon as its cause is gone
        "restarting": 0,  # 1: a clear restarts the drive with the old set point
        "drop_every": 0,  # every n-th telemetry frame is left out, but counted
        "corrupt_every": 0,  # every n-th telemetry frame carries a wrong checksum
        "check_range": 1,  # 0: any speed is accepted
        "speed_scale_reverse": 1.0,  # as speed_scale, on top of it, counter-clockwise only
        "hall_shift_reverse": 0,  # as hall_shift, on top of it, counter-clockwise only
        "hall_lost_code": 0,  # this code (1 to 6) is missing in the Hall table
        "turn_sign": 1,  # -1: turns the other way round and reports what was asked for
        "speed_step": 0,  # rpm: set points are cut to whole multiples of it
        "start_in_fault": 0,  # 1: a start command clears the fault and starts
        "clear_unchecked": 0,  # 1: a clear is obeyed while the cause persists
        "lag_slow_reverse": 0.0,  # as lag_reverse, on top of it, below 1200 rpm only
        "rough_speed": 0.0,  # rpm, set point that back-EMF sensing cannot hold for 50 ms; 0: none
        "stop_clears": 0,  # 1: a stop clears a fault
        "speed_restarts": 0,  # 1: a set point clears a fault and starts again
        "off_late": 0.0,  # s for which the gates go on after the fault link-lost
        "sensor_forgotten": 0,  # 1: after a clear a cold, broken sensor is not noticed any more
        "sense_turning": 0,  # 1: the sensing method may be changed while the motor turns
        "reverse_ignored": 0,  # reversals acknowledged but ignored; bit 0 to ccw, bit 1 to cw
        "stop_deaf_above": 1e9,  # rpm: a stop command is acknowledged but ignored above it
        "stop_coasts": 0,  # 1: a stop switches all gates off at once
        "blind_after_trip": 0,  # 1: once tripped, stall and over-current are not watched any more
        "reset_above": 1e9,  # A: the program restarts when the current exceeds it; stream goes on
        "quit_after": 1e9,  # s of uptime at which a turning drive switches itself off
        "wake_after": 1e9,  # s of uptime at which a drive that was never started starts by itself
        "drift": 0.0,  # 1/s of uptime by which the measured speed falls short
        "report_drift": 0.0,  # A/s of uptime added to the reported current
        "report_offset": 0.0,  # rpm added to the reported speed
        "report_unsigned": 0,  # 1: the reported speed has lost its sign
        "report_share": 0.1,  # of a new speed in the reported one, per slow step
        "report_frozen": 1e9,  # s of uptime after which reported speed and current stand still
        "report_fault_mask": 0,  # faults that are raised but not told
        "report_glitch": 0.0,  # chance that a frame reports a standing rotor
        "stream_scale": 1.0,  # telemetry intervals are longer by this
        "count_frames": 1,  # 0: the sequence number stands still
        "start_missed": 0.0,  # chance that a start is acknowledged but not carried out
        "start_delay": 0.0,  # s between a start command and the start
        "start_trips": 0.0,  # chance that a start ends in an over-current fault for no reason
    }
)


@dataclass(frozen=True, kw_only=True)
class ReferenceSettings:
    """Settings of the reference firmware, in SI units and rpm; the defaults suit the demo pump.

    Every duration is rounded to whole PWM periods at the power-on reset, so nothing here depends
    on the PWM frequency.

    Raises
    ------
    ValueError
        If the sensing method or a seam is not known, or an identity text is too long or not ASCII.
    """

    # identity, as reported over the link
    model: str = "DOSING-DRIVE"  # at most 16 characters
    version: str = "1.0.0"  # at most 8 characters
    build: str = "5EED0001"  # at most 8 characters

    # motor, as the firmware believes it to be
    pole_pairs: int = 4
    back_emf_constant: float = 0.040  # V s/rad between two phases
    resistance: float = 1.2  # ohm between two phases

    # commands
    sensing: str = "hall"  # at power-up: "hall" or "back-emf"
    min_speed: float = 500.0  # rpm, smallest speed accepted apart from 0
    max_speed: float = 4000.0  # rpm
    stream_rate: float = 0.0  # Hz, telemetry at power-up; 0 until the host asks
    link_timeout: float = 0.0  # s without a valid command while turning; 0 = never a fault

    # regulator
    slow_rate: float = 1000.0  # Hz, speed loop and sequencer
    slope: float = 4000.0  # rpm/s
    proportional: float = 0.0020  # V/rpm
    integral: float = 0.15  # V/(rpm s)
    first_current: tuple[float, float] = (0.3, 1.0)  # A, Hall and back-EMF: integrator's head start
    response: float = 0.020  # s by which rotor and measurement follow the voltage
    drive_limit: float = 6.0  # A
    brake_limit: float = 2.0  # A fed back while decelerating
    regen_voltage: float = 38.0  # V, no current is fed back above this DC-link voltage
    limit_integral: float = 1000.0  # V/(A s)
    limit_proportional: float = 2.0  # V/A, beyond the limit only
    duty_min: float = 0.02  # smallest on time in which the current can be sampled
    duty_max: float = 0.98

    # sensing
    speed_window: float = 0.004  # s, speed is taken over at least this long, or one electrical turn
    standstill: float = 0.100  # s without passing a sector
    blank: float = 0.0001  # s after a commutation during which back-EMF is not looked at
    blank_share: float = 0.10  # or this share of a sector if that is longer
    emf_threshold: float = 0.12  # V, smaller back-EMF proves nothing
    commutation_delay: float = 0.5  # sectors from zero crossing to commutation: 30 degrees

    # start with back-EMF sensing
    align_times: tuple[float, float] = (0.100, 0.150)  # s
    align_current: float = 3.0  # A
    align_rise: float = 0.030  # s until the alignment voltage is reached
    ramp_first: float = 75.0  # rpm, rate of the first step
    ramp_slope: float = 4000.0  # rpm/s
    ramp_speed: float = 600.0  # rpm, but at most 90 % of the set point
    ramp_current: float = 2.6  # A, allowance on top of the back-EMF
    catch_current: float = 1.0  # A, the same while the first crossings are looked for
    catch_proportional: float = 0.005  # V/rpm, until hand over
    catch_share: float = 0.8  # of the ramp's end speed, from where zero crossings are looked for
    catch_time: float = 0.200  # s from there to hand over, else the start has failed
    handover_crossings: int = 6  # in a row
    start_attempts: int = 1  # a failed start is reported, not hidden by trying again

    # stop and reversal
    short_speed: tuple[float, float] = (200.0, 400.0)  # rpm, Hall and back-EMF: windings shorted
    short_time: float = 0.150  # s for which they stay shorted
    turning_speed: float = 200.0  # rpm, a clear is refused while the rotor coasts faster

    # protection
    over_current: float = 9.0  # A, bridge input, either sign
    over_current_periods: int = 3  # consecutive samples
    continuous_current: float = 4.0  # A
    i2t_budget: float = 7.0  # A^2 s above the continuous current
    stall_time: float = 0.150  # s without progress at the current limit
    stall_time_any: float = 0.500  # s without progress at any current
    missed_crossings: int = 6  # in a row: the rotor is lost
    under_voltage: float = 16.0  # V, while turning and when asked to start
    over_voltage: float = 44.0  # V
    derate_start: float = 65.0  # degC of the stage, from where the drive limit falls
    derate_end: float = 80.0  # degC where nothing is left of it
    over_temperature: float = 85.0  # degC
    coldest: float = -40.0  # degC; a sensor that reports less, or more than `hottest`, is broken
    hottest: float = 150.0  # degC
    hall_trouble: int = 20  # 4 per illegal sample, minus 1 per good one

    #: Seeded defects: name of a seam -> value, see `SEAMS`.
    defects: Mapping[str, float] = field(default_factory=dict)

    def __post_init__(self) -> None:
        if self.sensing not in SENSINGS:
            raise ValueError(f"sensing is {self.sensing!r}, expected one of {', '.join(SENSINGS)}")
        for name, size in (("model", 16), ("version", 8), ("build", 8)):
            text = getattr(self, name)
            if len(text) > size or not text.isascii() or not text or set(text) & set(",*\r\n"):
                raise ValueError(
                    f"{name} is {text!r}, expected 1 to {size} ASCII characters, no comma or *"
                )
        for name in self.defects:
            if name not in SEAMS:
                raise ValueError(f"no seam is called {name!r}, expected one of {', '.join(SEAMS)}")


def protocol_number(protocol: str) -> int:
    """What the state holds for a protocol.

    Raises
    ------
    ValueError
        If there is no such protocol.
    """
    if protocol not in PROTOCOLS:
        raise ValueError(f"protocol is {protocol!r}, expected one of {', '.join(PROTOCOLS)}")
    return PROTOCOLS[protocol]


def load(state: Any, settings: ReferenceSettings, protocol: str, pwm_hz: float) -> None:
    """Power-on reset: zero every variable of `state` and write the settings into it.

    Parameters
    ----------
    state : a record view of dtype `state.STATE`.
    protocol : ``lines`` or ``cobs``.
    pwm_hz : PWM frequency, Hz.

    Raises
    ------
    ValueError
        If the protocol is unknown or the frequency not positive.
    """
    number = protocol_number(protocol)
    if not pwm_hz > 0.0:
        raise ValueError(f"PWM frequency is {pwm_hz} Hz, expected a positive number")
    values = _values(settings, pwm_hz) | dict(SEAMS) | dict(settings.defects)
    values["protocol"] = number
    for name in st.STATE.names or ():
        state[name] = values.get(name, 0)
    state["sensing"] = SENSINGS[settings.sensing]
    state["direction"] = 1
    state["sector"] = -1
    state["shorted"] = state["caught"] = -1
    state["due"] = np.inf
    state["before"] = np.nan
    state["temperature"] = 25.0
    state["limit"] = settings.drive_limit
    state["stream_ticks"] = round(pwm_hz / settings.stream_rate) if settings.stream_rate else 0


def _values(s: ReferenceSettings, pwm_hz: float) -> dict[str, Any]:
    """Settings in the units of the control loop."""

    def ticks(seconds: float) -> int:
        return round(seconds * pwm_hz)

    slow_ticks = max(1, round(pwm_hz / s.slow_rate))
    slow_time = slow_ticks / pwm_hz
    align_voltage = s.resistance * s.align_current
    return {
        "model": _text(s.model, 16),
        "version": _text(s.version, 8),
        "build": _text(s.build, 8),
        "period": 1.0 / pwm_hz,
        "sector_rate": 10.0 * pwm_hz / s.pole_pairs,
        "emf_per_rpm": s.back_emf_constant * 2.0 * np.pi / 60.0,
        "resistance": s.resistance,
        "min_speed": s.min_speed,
        "max_speed": s.max_speed,
        "slope": s.slope * slow_time,
        "link_ticks": ticks(s.link_timeout),
        "slow_ticks": slow_ticks,
        "slow_time": slow_time,
        "proportional": s.proportional,
        "integral_step": s.integral * slow_time,
        "first_current": np.array(s.first_current),
        "response": slow_time / max(s.response, slow_time),
        "drive_limit": s.drive_limit,
        "brake_limit": s.brake_limit,
        "regen_voltage": s.regen_voltage,
        "limit_integral": s.limit_integral / pwm_hz,
        "limit_proportional": s.limit_proportional,
        "duty_min": s.duty_min,
        "duty_max": s.duty_max,
        "hall_table": _hall_table(int(s.defects.get("hall_lost_code", 0))),
        "speed_window": s.speed_window * pwm_hz,
        "standstill_ticks": ticks(s.standstill),
        "blank_ticks": s.blank * pwm_hz,
        "blank_share": s.blank_share,
        "emf_threshold": s.emf_threshold,
        "commutation_delay": s.commutation_delay,
        "align_ticks": np.array([ticks(t) for t in s.align_times]),
        "align_voltage": align_voltage,
        "align_rise": align_voltage / max(1, ticks(s.align_rise)),
        "ramp_step": s.ramp_slope / pwm_hz,
        "ramp_first": s.ramp_first,
        "ramp_speed": s.ramp_speed,
        "ramp_drop": s.resistance * s.ramp_current,
        "catch_drop": s.resistance * s.catch_current,
        "catch_proportional": s.catch_proportional,
        "catch_share": s.catch_share,
        "catch_ticks": ticks(s.catch_time),
        "handover_crossings": s.handover_crossings,
        "start_attempts": s.start_attempts,
        "short_speed": np.array(s.short_speed),
        "short_ticks": ticks(s.short_time),
        "turning_speed": s.turning_speed,
        "over_current": s.over_current,
        "over_current_ticks": s.over_current_periods,
        "continuous_squared": s.continuous_current**2,
        "i2t_budget": s.i2t_budget,
        "stall_ticks": ticks(s.stall_time),
        "stall_ticks_any": ticks(s.stall_time_any),
        "missed_crossings": s.missed_crossings,
        "under_voltage": s.under_voltage,
        "over_voltage": s.over_voltage,
        "over_temperature": s.over_temperature,
        "derate_start": s.derate_start,
        "derate_end": s.derate_end,
        "coldest": s.coldest,
        "hottest": s.hottest,
        "hall_trouble": s.hall_trouble,
    }


def _hall_table(lost: int) -> np.ndarray[Any, np.dtype[np.int32]]:
    table = np.array(HALL_TABLE, np.int32)
    table[lost] = -1  # code 0 is illegal anyway
    return table


def _text(text: str, size: int) -> np.ndarray[Any, np.dtype[np.uint8]]:
    return np.frombuffer(text.encode("ascii").ljust(size, b"\0"), np.uint8)
