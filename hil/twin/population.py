"""Healthy rigs: motors, boards and sensors drawn within their tolerances. Pure, by seed.

Rig n of a seed is always the same, however many rigs are drawn and whatever else is toleranced:
every quantity has a random stream of its own.
"""

from __future__ import annotations

import zlib
from dataclasses import dataclass, fields
from enum import StrEnum

import numpy as np

from hil.twin.variation import Change, Variation

#: Half widths of a tolerance in standard deviations, for a normal distribution (common practice,
#: no source: a process that just fills its tolerance).
SIGMAS = 3.0


class Distribution(StrEnum):
    """How likely the values within a tolerance are."""

    RECTANGULAR = "rectangular"
    NORMAL = "normal"  # cut off at the limits, which are `SIGMAS` standard deviations away


@dataclass(frozen=True, slots=True)
class Spread:
    """A tolerance.

    Parameters
    ----------
    middle, within : the limits are ``middle - within`` and ``middle + within``.

    Raises
    ------
    ValueError
        If `within` is negative or anything is not finite.
    """

    within: float
    distribution: Distribution = Distribution.RECTANGULAR
    middle: float = 0.0

    def __post_init__(self) -> None:
        if not (0.0 <= self.within < np.inf and np.isfinite(self.middle)):
            raise ValueError(f"no tolerance: {self.middle!r} plus and minus {self.within!r}")

    def draw(self, rng: np.random.Generator) -> float:
        """One value, always within the limits."""
        if self.distribution is Distribution.RECTANGULAR:
            share = float(rng.uniform(-1.0, 1.0))
        else:
            share = 2.0
            while abs(share) > 1.0:
                share = float(rng.normal()) / SIGMAS
        return self.middle + share * self.within


@dataclass(frozen=True, slots=True, kw_only=True)
class Tolerances:
    """What differs from rig to rig; None for what does not.

    Parameters
    ----------
    back_emf, resistance, inductance, inertia, friction, cogging, load, shunt_gain, voltage_gain,
    adc_noise, supply_resistance : relative to the value of the rig file, 0.05 for 5 %.
    hall_placement : electrical degrees, for each sensor.
    shunt_offset : A.
    supply_readback : share of the data sheet's limits of error, 1 for all.
    ambient : degC, with its middle.
    """

    back_emf: Spread | None = None
    resistance: Spread | None = None
    inductance: Spread | None = None
    inertia: Spread | None = None
    friction: Spread | None = None
    cogging: Spread | None = None
    hall_placement: Spread | None = None
    load: Spread | None = None
    shunt_gain: Spread | None = None
    shunt_offset: Spread | None = None
    voltage_gain: Spread | None = None
    adc_noise: Spread | None = None
    supply_resistance: Spread | None = None
    supply_readback: Spread | None = None
    ambient: Spread | None = None


#: Tolerance -> groups of paths. A group shares one drawn value, each further group has its own.
_SCALED: dict[str, tuple[tuple[str, ...], ...]] = {
    "back_emf": (("drive.motor.back_emf",),),
    "resistance": (("drive.motor.resistance",),),
    "inductance": (("drive.motor.inductance",),),
    "inertia": (("drive.motor.inertia",),),
    "friction": (("drive.motor.coulomb",), ("drive.motor.viscous",)),
    "cogging": (("drive.motor.cogging",),),
    "load": (("drive.load.mean", "drive.load.pulsation"),),
    "shunt_gain": (("drive.sensing.current_gain",),),
    "voltage_gain": (("drive.sensing.voltage_gain",),),
    "adc_noise": (("drive.sensing.current_noise",), ("drive.sensing.voltage_noise",)),
    "supply_resistance": (("drive.supply.resistance",),),
}
_SHIFTED: dict[str, tuple[tuple[str, ...], ...]] = {
    "hall_placement": tuple((f"drive.motor.hall_error_deg.{n}",) for n in range(3)),
    "shunt_offset": (("drive.sensing.current_offset",),),
}
_SET: dict[str, tuple[tuple[str, ...], ...]] = {
    "ambient": (("drive.heat.ambient",),),
    "supply_readback": tuple((f"supply.misreading.{n}",) for n in range(4)),
}


def healthy_rig(tolerances: Tolerances, seed: int, number: int) -> Variation:
    """Rig `number` (from 1) of the population of `seed`.

    Raises
    ------
    ValueError
        If the number is below 1 or the seed negative.
    """
    if number < 1 or seed < 0:
        raise ValueError(f"no rig {number!r} of seed {seed!r}")
    changes: list[Change] = []
    for one in fields(tolerances):
        spread: Spread | None = getattr(tolerances, one.name)
        if spread is None:
            continue
        rng = np.random.default_rng([seed, number, zlib.crc32(one.name.encode())])
        for group in _SCALED.get(one.name, ()):
            factor = 1.0 + spread.draw(rng)
            changes += [Change(path, factor, "scale") for path in group]
        for group in _SHIFTED.get(one.name, ()):
            shift = spread.draw(rng)
            changes += [Change(path, shift, "add") for path in group]
        for group in _SET.get(one.name, ()):
            value = spread.draw(rng)
            changes += [Change(path, value) for path in group]
    return Variation(f"rig {number}", tuple(changes))
