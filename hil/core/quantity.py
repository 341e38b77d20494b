"""A number with its unit, and the canonical unit of each kind of quantity.

Inside the project every number is in the canonical unit of its kind; files carry explicit units
and are converted once, when they are read (`hil.plan.units`).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

#: Kind of quantity -> the one unit used inside the project. Speeds and angles are mechanical.
CANONICAL_UNITS = {
    "speed": "rpm",
    "acceleration": "rpm/s",
    "angle": "deg",
    "voltage": "V",
    "slew": "V/s",
    "current": "A",
    "power": "W",
    "resistance": "ohm",
    "inductance": "H",
    "capacitance": "F",
    "inertia": "kg*m^2",
    "torque": "N*m",
    "back-emf constant": "V*s/rad",
    "temperature": "degC",
    "temperature difference": "K",
    "thermal resistance": "K/W",
    "heat capacity": "J/K",
    "time": "s",
    "frequency": "Hz",
    "let-through": "A^2*s",
    "ratio": "%",
    "count": "1",
}


@dataclass(frozen=True, slots=True)
class Quantity:
    """A finite number in a unit.

    Parameters
    ----------
    value : finite float.
    unit : text of the unit, ``"1"`` for a plain number.

    Raises
    ------
    ValueError
        If `value` is NaN or infinite.
    """

    value: float
    unit: str

    def __post_init__(self) -> None:
        if not math.isfinite(self.value):
            raise ValueError(f"a quantity must be finite, found {self.value!r} {self.unit}")

    def __str__(self) -> str:
        return f"{self.value:.6g}" if self.unit == "1" else f"{self.value:.6g} {self.unit}"
