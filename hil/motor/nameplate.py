"""What follows from a motor's nameplate, and the conventions nameplates are written in.

One convention inside: resistance `R` in ohm and inductance `L` in H between two lines, back-EMF
constant `K` in V s/rad as the peak between two lines per mechanical rad/s, which equals the torque
constant in N m/A while two phases conduct. `p` counts pole pairs.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

RPM_PER_RAD_S = 30.0 / math.pi

#: Peak over RMS between two lines when each phase has a trapezoid with a 120 degree flat top.
#: The line voltage is flat at 2 for 60 degrees and falls straight for 120 degrees, so its mean
#: square is (60*4 + 120*4/3)/180 = 20/9 and the ratio 2/sqrt(20/9). A sine would give sqrt(2).
TRAPEZOID_PEAK_OVER_RMS = math.sqrt(9.0 / 5.0)


def back_emf_line_to_line_peak(constant: float, convention: str) -> float:
    """Back-EMF constant in V s/rad, line-to-line peak, from one in `convention`.

    Parameters
    ----------
    constant : V s/rad (mechanical).
    convention : ``line-to-line-peak``, ``line-to-line-rms`` (of a trapezoid with 120 degree flat
        top) or ``phase-peak`` (two phases in series: twice).

    Raises
    ------
    ValueError
        For another convention.
    """
    factors = {
        "line-to-line-peak": 1.0,
        "line-to-line-rms": TRAPEZOID_PEAK_OVER_RMS,
        "phase-peak": 2.0,
    }
    if convention not in factors:
        raise ValueError(f"unknown back-EMF convention {convention!r}")
    return constant * factors[convention]


def winding_line_to_line(value: float, convention: str) -> float:
    """Resistance or inductance between two lines from that of one phase winding.

    Parameters
    ----------
    value : ohm or H.
    convention : ``line-to-line``, ``phase-star`` (two in series) or ``phase-delta`` (one beside
        the other two in series: 2/3).

    Raises
    ------
    ValueError
        For another convention.
    """
    factors = {"line-to-line": 1.0, "phase-star": 2.0, "phase-delta": 2.0 / 3.0}
    if convention not in factors:
        raise ValueError(f"unknown winding convention {convention!r}")
    return value * factors[convention]


def rpm(rad_s: float) -> float:
    """Speed in rpm from rad/s."""
    return rad_s * RPM_PER_RAD_S


def rad_s(speed: float) -> float:
    """Speed in rad/s from rpm."""
    return speed / RPM_PER_RAD_S


def electrical_frequency(speed: float, pole_pairs: int) -> float:
    """Electrical frequency in Hz at a speed in rpm (n = 120 f / poles)."""
    return speed * pole_pairs / 60.0


def speed_at(frequency: float, pole_pairs: int) -> float:
    """Speed in rpm at an electrical frequency in Hz."""
    return 60.0 * frequency / pole_pairs


def speed_constant(K: float) -> float:
    """Speed constant in rpm/V from the back-EMF constant in V s/rad."""
    return RPM_PER_RAD_S / K


def back_emf(K: float, speed: float) -> float:
    """Back-EMF in V, line-to-line peak, at a speed in rpm; K in V s/rad."""
    return K * rad_s(speed)


def highest_speed(K: float, voltage: float) -> float:
    """Speed in rpm at which the back-EMF is as high as `voltage` V; K in V s/rad."""
    return speed_constant(K) * voltage


def copper_loss(current: float, R: float) -> float:
    """Loss in W with `current` A through two phases in series of `R` ohm line to line."""
    return current * current * R


@dataclass(frozen=True, slots=True, kw_only=True)
class Nameplate:
    """Characteristic values of a motor at a terminal voltage; textbook relations.

    Parameters
    ----------
    V : supply voltage, V.
    R, L, K : line to line, see the module.
    J : inertia, kg m^2.
    no_load_current : A, friction and iron loss as the current they need.

    Raises
    ------
    ValueError
        Unless all but `no_load_current` are positive and finite.
    """

    V: float
    R: float
    L: float
    K: float
    J: float
    no_load_current: float = 0.0

    def __post_init__(self) -> None:
        for name in ("V", "R", "L", "K", "J"):
            value = getattr(self, name)
            if not (math.isfinite(value) and value > 0.0):
                raise ValueError(f"{name} must be positive and finite, found {value!r}")
        if not 0.0 <= self.no_load_current < self.V / self.R:
            raise ValueError(f"no-load current {self.no_load_current!r} A out of range")

    @property
    def no_load_speed(self) -> float:
        """Speed without load in rpm: (V - I0 R)/K."""
        return rpm((self.V - self.no_load_current * self.R) / self.K)

    @property
    def stall_current(self) -> float:
        """Current with the rotor held, in A: V/R."""
        return self.V / self.R

    @property
    def stall_torque(self) -> float:
        """Torque with the rotor held, in N m: K V/R."""
        return self.K * self.V / self.R

    @property
    def slope(self) -> float:
        """Speed lost per torque, in rpm per N m: R/K^2."""
        return rpm(self.R / self.K**2)

    @property
    def mechanical_time_constant(self) -> float:
        """J R/K^2, in s."""
        return self.J * self.R / self.K**2

    @property
    def electrical_time_constant(self) -> float:
        """L/R, in s."""
        return self.L / self.R

    @property
    def best_efficiency(self) -> float:
        """Largest efficiency, 0 to 1: (1 - sqrt(I0/Istall))^2."""
        return (1.0 - math.sqrt(self.no_load_current / self.stall_current)) ** 2

    def speed_under(self, torque: float) -> float:
        """Speed in rpm with a load torque in N m on the shaft (negative: driven backwards)."""
        return self.no_load_speed - self.slope * torque

    def current_under(self, torque: float) -> float:
        """Current in A at a load torque in N m, in steady state."""
        return self.no_load_current + torque / self.K
