"""What can happen at worst: voltages, displacements and currents before anything is switched on."""

from __future__ import annotations

import math

from hil.motor.nameplate import rad_s


def kinetic_energy(*, inertia: float, speed_rpm: float) -> float:
    """Energy in J of `inertia` kg m^2 turning at `speed_rpm`."""
    return 0.5 * inertia * rad_s(speed_rpm) ** 2


def lossless_bus_peak(
    *,
    voltage: float,
    inertia: float,
    capacitance: float,
    speed_rpm: float,
    to_speed_rpm: float = 0.0,
    recovered: float = 1.0,
) -> float:
    """Highest DC-link voltage that braking can cause, V: all energy goes into the capacitor.

    V1 = sqrt(V0^2 + 2 E/C). On a reversal the shaft passes through standstill, where it holds no
    energy, so `to_speed_rpm` stays 0. Losses, the load and a supply that absorbs lower it; nothing
    in the bench can raise it, except energy from outside (a load that drives the shaft).

    Parameters
    ----------
    voltage : DC link before, V.
    inertia : rotor and all that turns with it, kg m^2.
    capacitance : of the DC link, F.
    speed_rpm, to_speed_rpm : before and after braking; the sign does not matter.
    recovered : share of the kinetic energy that arrives, 0 to 1.

    Returns
    -------
    float
        V; `voltage` itself if the shaft does not get slower.

    Raises
    ------
    ValueError
        If a quantity is negative or not finite, or the capacitance zero.
    """
    _check(voltage=voltage, inertia=inertia, capacitance=capacitance, recovered=recovered)
    if capacitance == 0.0 or recovered > 1.0:
        raise ValueError("capacitance must be above zero and `recovered` at most 1")
    released = kinetic_energy(inertia=inertia, speed_rpm=speed_rpm) - kinetic_energy(
        inertia=inertia, speed_rpm=to_speed_rpm
    )
    return math.sqrt(voltage**2 + 2.0 * recovered * max(0.0, released) / capacitance)


def highest_braking_speed(
    *, limit: float, voltage: float, inertia: float, capacitance: float
) -> float:
    """Speed in rpm from which a full stop, without losses, raises the link just to `limit` V.

    Raises
    ------
    ValueError
        If `limit` does not lie above `voltage`, or without inertia.
    """
    _check(limit=limit, voltage=voltage, capacitance=capacitance)
    if limit <= voltage:
        raise ValueError(f"the limit {limit:g} V does not lie above {voltage:g} V")
    if not inertia > 0.0:
        raise ValueError(f"inertia must be above zero, found {inertia!r}")
    return math.sqrt(capacitance * (limit**2 - voltage**2) / inertia) * 30.0 / math.pi


def capacitance_to_stay_below(
    *, limit: float, voltage: float, inertia: float, speed_rpm: float
) -> float:
    """Capacitance in F that keeps a full stop, without losses, at or below `limit` V.

    Raises
    ------
    ValueError
        If `limit` does not lie above `voltage`.
    """
    _check(limit=limit, voltage=voltage, inertia=inertia)
    if limit <= voltage:
        raise ValueError(f"the limit {limit:g} V does not lie above {voltage:g} V")
    energy = kinetic_energy(inertia=inertia, speed_rpm=speed_rpm)
    return 2.0 * energy / (limit**2 - voltage**2)


def alignment_displacement(pole_pairs: int) -> float:
    """Largest rotor jump at rest when phases are aligned, mechanical degrees: 180/p.

    At exactly 180 electrical degrees the torque is zero, which is why alignment takes two steps;
    swinging beyond the rest position and the second step come on top of this.

    Raises
    ------
    ValueError
        Without a pole pair.
    """
    if pole_pairs < 1:
        raise ValueError(f"a motor has at least one pole pair, found {pole_pairs}")
    return 180.0 / pole_pairs


def overload_integral(current: float, seconds: float) -> float:
    """I^2 t of a constant current, A^2 s."""
    _check(seconds=seconds)
    return current * current * seconds


def overload_time(current: float, continuous: float, budget: float) -> float:
    """Time in s until the budget is used up: budget/(I^2 - Icont^2).

    Parameters
    ----------
    current, continuous : A; the second can be carried for ever.
    budget : A^2 s above the continuous current.

    Returns
    -------
    float
        s; infinite up to the continuous current.
    """
    _check(budget=budget)
    excess = current * current - continuous * continuous
    return budget / excess if excess > 0.0 else math.inf


def stall_current(*, voltage: float, resistance: float, supply_resistance: float = 0.0) -> float:
    """Current in A that a held rotor draws at full duty, once the inductance is charged.

    Raises
    ------
    ValueError
        Without any resistance.
    """
    _check(voltage=voltage, resistance=resistance, supply_resistance=supply_resistance)
    total = resistance + supply_resistance
    if total <= 0.0:
        raise ValueError("a current needs a resistance to limit it")
    return voltage / total


def plugging_current(
    *, voltage: float, back_emf_constant: float, resistance: float, speed_rpm: float
) -> float:
    """Current in A if the bridge were reversed at speed: back-EMF and supply add, (V + K w)/R.

    Raises
    ------
    ValueError
        Without resistance.
    """
    _check(voltage=voltage, back_emf_constant=back_emf_constant)
    emf = back_emf_constant * rad_s(abs(speed_rpm))
    return stall_current(voltage=voltage + emf, resistance=resistance)


def _check(**quantities: float) -> None:
    for name, value in quantities.items():
        if not (math.isfinite(value) and value >= 0.0):
            raise ValueError(f"{name} must be finite and not negative, found {value!r}")
