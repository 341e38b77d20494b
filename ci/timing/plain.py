"""The circuit of `tests/twin/spice` for scipy's general-purpose integrator.

As one would write it without further thought, but fairly: integration is restarted at every
switching edge, diodes stop at events, and the motor model is the same.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from scipy.integrate import solve_ivp

OPEN = -1


class Plain:
    """Integrates ``ia, ib, ic, link, speed, angle`` over whole PWM periods.

    `max_step` in s; `rtol` and `atol` are those of `scipy.integrate.solve_ivp`.
    """

    def __init__(
        self, circuit: Any, max_step: float, rtol: float = 1e-3, atol: float = 1e-6
    ) -> None:
        self.rig, self.duty, self.supply = circuit.RIG, circuit.DUTY, circuit.VOLTAGE
        self.max_step, self.rtol, self.atol = max_step, rtol, atol
        self.state = np.zeros(6)
        self.state[3] = circuit.VOLTAGE
        self.state[5] = math.radians(self.rig.motor.initial_angle_deg)

    def shape(self, angle: float) -> Any:
        """Back-EMF of the three phases over their flat top."""
        x = self.rig.motor.pole_pairs * angle / math.tau - 0.25 - np.arange(3) / 3
        return np.clip(3.0 - 12.0 * np.abs(x - np.rint(x)), -1.0, 1.0)

    def terminals(self, gates: Any, y: Any) -> tuple[Any, Any, Any]:
        """Voltage without current and resistance of each terminal, and whether it conducts."""
        bridge = self.rig.bridge
        link, drop = y[3], bridge.diode_drop
        volts, ohms, conducts = np.zeros(3), np.full(3, bridge.on_resistance), np.ones(3, bool)
        for n in range(3):
            if gates[n] == 1:
                volts[n] = link
            elif gates[n] == OPEN:
                ohms[n] = bridge.diode_resistance
                conducts[n] = abs(y[n]) > 1e-9
                volts[n] = -drop if y[n] > 0 else link + drop
        emf = 0.5 * self.rig.motor.back_emf * y[4] * self.shape(y[5])
        for _ in range(2):
            if not conducts.any():
                break
            star = (volts - emf)[conducts].mean()
            free = star + emf
            out = np.where(conducts, 0.0, np.maximum(free - link - drop, -drop - free))
            worst = int(out.argmax())
            if out[worst] <= 0:
                break
            conducts[worst] = True
            volts[worst] = link + drop if free[worst] > link + drop else -drop
        return volts, ohms, conducts

    def slope(self, gates: Any, y: Any) -> Any:
        """Time derivative of the state."""
        motor, bridge, supply = self.rig.motor, self.rig.bridge, self.rig.supply
        volts, ohms, conducts = self.terminals(gates, y)
        shape = self.shape(y[5])
        drive = (
            volts - 0.5 * motor.back_emf * y[4] * shape - (0.5 * motor.resistance + ohms) * y[:3]
        )
        rate = np.zeros(6)
        if conducts.sum() > 1:
            rate[:3] = np.where(conducts, drive - drive[conducts].mean(), 0.0)
            rate[:3] /= 0.5 * motor.inductance
        into = max(0.0, (self.supply - y[3]) / supply.resistance)
        bus = y[:3][volts > 0.5 * y[3]].sum()
        rate[3] = (into - bus - y[3] / bridge.bleeder) / bridge.capacitance
        torque = 0.5 * motor.back_emf * float(shape @ y[:3])
        torque -= motor.cogging * math.sin(motor.cogging_cycles * y[5])
        if y[4] > 0 or abs(torque) > motor.coulomb:
            rate[4] = (torque - motor.viscous * y[4] - motor.coulomb) / motor.inertia
        rate[5] = y[4]
        return rate

    def segment(self, gates: Any, span: float) -> None:
        """Advance by `span` s without switching, from one diode event to the next."""
        while span > 1e-12:
            watched = [n for n in range(3) if gates[n] == OPEN and abs(self.state[n]) > 1e-9]
            stops = []
            for n in watched:
                stop: Any = lambda _t, y, n=n: y[n]  # noqa: E731 - an event carries attributes
                stop.terminal = True
                stops.append(stop)
            done = solve_ivp(
                lambda _t, y: self.slope(gates, y),
                (0.0, span),
                self.state,
                max_step=self.max_step,
                rtol=self.rtol,
                atol=self.atol,
                events=stops or None,
            )
            self.state = done.y[:, -1]
            span -= float(done.t[-1])
            if done.status == 1 and done.t_events is not None:
                for n, times in zip(watched, done.t_events, strict=True):
                    if times.size:
                        others = [m for m in range(3) if m != n]
                        self.state[others] += self.state[n] / 2
                        self.state[n] = 0.0

    def period(self, high: int, low: int) -> None:
        """One PWM period: leg `high` switches, leg `low` is held low; all are, if they are -1."""
        period, dead = 1.0 / self.rig.bridge.pwm_hz, self.rig.bridge.dead_time
        rise = 0.5 * period * (1.0 - self.duty)
        gates = np.zeros(3, int) if high < 0 else np.full(3, OPEN)
        if high < 0:
            self.segment(gates, period)
            return
        gates[low] = 0
        spans = (rise, dead, self.duty * period - dead, dead, rise - dead)
        for level, span in zip((0, OPEN, 1, OPEN, 0), spans, strict=True):
            gates[high] = level
            self.segment(gates, span)
