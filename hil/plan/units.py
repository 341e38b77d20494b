"""Numbers with units in files, converted to canonical units when read."""

from __future__ import annotations

from functools import cache
from typing import TYPE_CHECKING, Annotated, Any

from pydantic import BeforeValidator

from hil.core.quantity import CANONICAL_UNITS

if TYPE_CHECKING:
    from pint import UnitRegistry


@cache
def registry() -> UnitRegistry[Any]:
    """The unit registry, made on first use: pint takes a while to load."""
    import pint

    units: UnitRegistry[Any] = pint.UnitRegistry(autoconvert_offset_to_baseunit=True)
    units.define("percent = 0.01 = %")
    return units


def convert(text: object, kind: str) -> float:
    """Read ``"24 V"`` as a number in the canonical unit of `kind`.

    Raises
    ------
    ValueError
        If there is no unit, an unknown unit, or one of another kind of quantity.
    """
    wanted = CANONICAL_UNITS[kind]
    if not isinstance(text, str):
        raise ValueError(f"expected a {kind} with its unit, such as '1 {wanted}', found {text!r}")
    try:
        found: Any = registry().Quantity(text)
        return float(found.to("" if wanted == "1" else wanted).magnitude)
    except Exception as error:
        raise ValueError(
            f"expected a {kind} with its unit, such as '1 {wanted}', found {text!r}"
        ) from error


def _of(kind: str) -> BeforeValidator:
    return BeforeValidator(lambda value: convert(value, kind))


Speed = Annotated[float, _of("speed")]
Angle = Annotated[float, _of("angle")]
Voltage = Annotated[float, _of("voltage")]
Current = Annotated[float, _of("current")]
Resistance = Annotated[float, _of("resistance")]
Inductance = Annotated[float, _of("inductance")]
Capacitance = Annotated[float, _of("capacitance")]
Inertia = Annotated[float, _of("inertia")]
Torque = Annotated[float, _of("torque")]
BackEmf = Annotated[float, _of("back-emf constant")]
Temperature = Annotated[float, _of("temperature")]
Time = Annotated[float, _of("time")]
Frequency = Annotated[float, _of("frequency")]
Ratio = Annotated[float, _of("ratio")]
