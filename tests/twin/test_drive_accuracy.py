"""The event-driven kernel against plain fixed-step integration of the same circuit at 25 ns.

The brute-force integrator below shares nothing with the kernel but the statement of the circuit:
explicit Euler steps, gates looked up at every step, diodes as voltage sources that conduct while
their current has the right sign or the terminal would leave the rails.
"""

import math

import numpy as np
import pytest

from hil.twin.drive import Drive
from hil.twin.jit import compiled
from hil.twin.parameters import (
    BridgeParameters,
    DriveParameters,
    HeatParameters,
    MotorParameters,
    SensingParameters,
    SupplyParameters,
)

PARAMETERS = DriveParameters(
    motor=MotorParameters(cogging=0.0, static_ratio=1.0, initial_angle_deg=20.0),
    bridge=BridgeParameters(diode_drop=0.7),
    supply=SupplyParameters(slew=1e9),
    sensing=SensingParameters.ideal(),
    heat=HeatParameters(winding_capacity=1e9, junction_capacity=1e9, housing_capacity=1e9),
)
DT = 25e-9


@compiled
def shape(x):
    x = x % 1.0
    if x < 1 / 12:
        return 12 * x
    if x < 5 / 12:
        return 1.0
    if x < 7 / 12:
        return 1.0 - 12 * (x - 5 / 12)
    if x < 11 / 12:
        return -1.0
    return -1.0 + 12 * (x - 11 / 12)


@compiled
def sensors(x):
    word = 0
    for k in range(3):
        if (x - 1 / 12 - k / 3) % 1.0 < 0.5:
            word |= 1 << k
    return word


@compiled
def brute_force(m, plan, state, log):  # noqa: PLR0912 - plain on purpose
    """Integrate the rows (duration, duty, direction, low drive, brake) of `plan`.

    m: R, L per phase, K/2, p/2pi, J, B, friction, Ron, Vd, Rd, C, bleeder, Rs, Vs, PWM period, dt.
    state: ia, ib, ic, link, speed, angle, hall word. log: per period, time, speed, link, currents.
    """
    r, ind, k, turns, j, visc, coulomb, ron, vd, rd, cap, bleed, rs, vs, period, dt = m
    steps = round(period / dt)
    i = state[:3].copy()
    link, speed, angle = state[3], state[4], state[5]
    word = int(state[6])
    row = 0
    e, v, res, di = np.zeros(3), np.zeros(3), np.zeros(3), np.zeros(3)
    on = np.zeros(3, np.int64)
    gates = np.zeros(3, np.int64)
    peak_link, peak_current = 0.0, 0.0
    for section in range(plan.shape[0]):
        duration, duty, direction, low_drive, brake = plan[section]
        for _ in range(round(duration / period)):
            high, low = -1, -1
            if word == 5:
                high, low = 0, 1
            elif word == 1:
                high, low = 0, 2
            elif word == 3:
                high, low = 1, 2
            elif word == 2:
                high, low = 1, 0
            elif word == 6:
                high, low = 2, 0
            elif word == 4:
                high, low = 2, 1
            if direction < 0:
                high, low = low, high
            square = 0.0
            for n in range(steps):
                t = n * dt
                if n == steps // 2:
                    word = sensors(angle * turns)
                mid = abs(t + 0.5 * dt - 0.5 * period) < 0.5 * duty * period
                for p in range(3):
                    gates[p] = 0
                if duty > 0:
                    gates[high] = 2 if mid else (1 if low_drive == 1 else 0)
                    gates[low] = 1
                bridge = 0.0
                for p in range(3):
                    e[p] = k * speed * shape(angle * turns - p / 3)
                    on[p] = 1
                    res[p] = ron
                    if gates[p] == 2:
                        v[p] = link
                        bridge += i[p]
                    elif gates[p] == 1:
                        v[p] = 0.0
                    elif i[p] > 0:
                        v[p], res[p] = -vd, rd
                    elif i[p] < 0:
                        v[p], res[p] = link + vd, rd
                        bridge += i[p]
                    else:
                        on[p] = 0
                count = on.sum()
                if count == 0:
                    # two diodes in series with the link
                    hi, lo = np.argmax(e), np.argmin(e)
                    if e[hi] - e[lo] > link + 2 * vd:
                        on[hi], v[hi], res[hi] = 1, link + vd, rd
                        on[lo], v[lo], res[lo] = 1, -vd, rd
                        count = 2
                if count > 0:
                    for _ in range(2):
                        star, count = 0.0, 0
                        for p in range(3):
                            if on[p]:
                                star += v[p] - e[p] - (r + res[p]) * i[p]
                                count += 1
                        star /= count
                        worst, which = 0.0, -1
                        for p in range(3):
                            if not on[p]:
                                out = max(star + e[p] - link - vd, -vd - star - e[p])
                                if out > worst:
                                    worst, which = out, p
                        if which < 0:
                            break
                        on[which], res[which] = 1, rd
                        v[which] = link + vd if star + e[which] > link + vd else -vd
                torque = 0.0
                for p in range(3):
                    di[p] = 0.0
                    torque += k * shape(angle * turns - p / 3) * i[p]
                    if on[p] and count > 1:
                        di[p] = (v[p] - e[p] - (r + res[p]) * i[p] - star) / ind
                rest = 0.0
                for p in range(3):
                    new = i[p] + dt * di[p]
                    if gates[p] == 0 and (
                        new * i[p] < 0 or (i[p] == 0 and (new > 0) == (v[p] > 0))
                    ):
                        new = 0.0
                    i[p] = new
                    rest += new
                living = 0
                for p in range(3):
                    living += i[p] != 0.0
                for p in range(3):
                    if living < 2:
                        i[p] = 0.0
                    elif i[p] != 0.0:
                        i[p] -= rest / living
                supply = max(0.0, (vs - link) / rs)
                link += dt / cap * (supply - bridge - link / bleed)
                against = coulomb + brake
                if speed == 0.0:
                    if abs(torque) > against:
                        speed = dt / j * (torque - math.copysign(against, torque))
                else:
                    new = speed + dt / j * (torque - visc * speed - math.copysign(against, speed))
                    speed = 0.0 if new * speed < 0 else new
                angle += dt * speed
                peak_link = max(peak_link, link)
                for p in range(3):
                    square += dt * i[p] * i[p]
                    peak_current = max(peak_current, abs(i[p]))
            log[row, 0] = speed
            log[row, 1] = link
            log[row, 2] = square
            log[row, 3] = angle
            log[row, 4] = peak_link
            log[row, 5] = peak_current
            row += 1


def by_brute_force(plan: list[tuple[float, ...]]):
    motor, bridge = PARAMETERS.motor, PARAMETERS.bridge
    numbers = (
        motor.resistance / 2,
        motor.inductance / 2,
        motor.back_emf / 2,
        motor.pole_pairs / math.tau,
        motor.inertia,
        motor.viscous,
        motor.coulomb,
        bridge.on_resistance,
        bridge.diode_drop,
        bridge.diode_resistance,
        bridge.capacitance,
        bridge.bleeder,
        PARAMETERS.supply.resistance,
        24.0,
        1 / bridge.pwm_hz,
        DT,
    )
    rows = round(sum(part[0] for part in plan) * bridge.pwm_hz)
    log = np.zeros((rows, 6))
    start = math.radians(motor.initial_angle_deg)
    word = sensors(start * numbers[3])
    state = np.array([0.0, 0.0, 0.0, 24.0, 0.0, start, word])
    brute_force(numbers, np.array(plan, float), state, log)
    return log


def by_kernel(plan, firmware):
    drive = Drive(PARAMETERS, firmware, seed=0)
    state = drive._state
    state["link"] = 24.0
    drive.set_supply(24.0, 1e6, True)
    log = []
    square = 0.0
    for duration, duty, direction, low_drive, brake in plan:
        firmware.commutate(duty, direction, high=low_drive)
        if duty == 0:
            firmware.coast()
        drive.set_brake(brake)
        for _ in range(round(duration * 20_000)):
            drive.advance(1 / 20_000)
            total = drive.energies().copper / (PARAMETERS.motor.resistance / 2)
            angle = math.radians(drive.angle_deg)
            speed = drive.speed_rpm * math.pi / 30
            log.append(
                (
                    speed,
                    state["link"],
                    total - square,
                    angle,
                    drive.dc_link_peak,
                    drive.current_peak,
                )
            )
            square = total
    return np.array(log)


PLANS = {
    "start": [(0.06, 0.4, 1, 1, 0.0)],
    "speed-step": [(0.05, 0.3, 1, 1, 0.0), (0.05, 0.7, 1, 1, 0.0)],
    "asynchronous": [(0.05, 0.5, 1, 2, 0.01), (0.03, 0.2, 1, 2, 0.01)],
    "reversal": [(0.05, 0.5, 1, 1, 0.0), (0.05, 0.5, -1, 1, 0.0)],
    "stall": [(0.05, 0.3, 1, 1, 0.0), (0.03, 0.3, 1, 1, 1.0)],
    "coast": [(0.05, 0.6, 1, 1, 0.0), (0.02, 0.0, 1, 1, 0.0)],
}


@pytest.mark.parametrize("name", PLANS)
def test_kernel_agrees_with_brute_force(name, scripted):
    plan = PLANS[name]
    truth, found = by_brute_force(plan), by_kernel(plan, scripted())
    top = np.abs(truth[:, 0]).max()
    assert np.abs(found[:, 0] - truth[:, 0]).max() < 0.002 * top  # while it moves
    settled = slice(-100, None)
    assert found[settled, 0].mean() == pytest.approx(truth[settled, 0].mean(), abs=0.001 * top)
    rms = [np.sqrt(log[:, 2].sum()) for log in (found, truth)]
    assert rms[0] == pytest.approx(rms[1], rel=0.005)
    assert found[-1, 4] == pytest.approx(truth[-1, 4], rel=0.01)
    assert found[-1, 4] - 24 == pytest.approx(truth[-1, 4] - 24, rel=0.02, abs=0.005)
    assert found[-1, 5] == pytest.approx(truth[-1, 5], rel=0.01)
