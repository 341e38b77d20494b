"""Numbers with units in files, converted to canonical units when read."""

from __future__ import annotations

import math
import re
from functools import cache
from typing import TYPE_CHECKING, Annotated, Any

from pydantic import AfterValidator, BeforeValidator

from hil.core.quantity import CANONICAL_UNITS

if TYPE_CHECKING:
    from pint import UnitRegistry

#: Units of the right dimension that mean something else: a motor has electrical and mechanical
#: frequency, and energy is not torque.
_MISLEADING = {
    "speed": {"hertz", "becquerel", "count", "percent", "dimensionless"},
    "frequency": {"revolutions_per_minute", "radian", "turn", "degree"},
    "angle": {"percent", "count", "permille"},
    "torque": {"joule", "watt", "electron_volt", "calorie"},
    "ratio": {"radian", "degree", "turn", "count"},
    "temperature": {"delta_degree_Celsius", "delta_degree_Fahrenheit"},
    "back-emf constant": {"hertz"},
}

#: What such a unit says instead.
_INSTEAD = {
    "speed": "leaves open whether electrical or mechanical turns are meant",
    "frequency": "is a speed or an angle, no frequency",
    "angle": "is a share or a count, no angle",
    "torque": "is an energy or a power, no torque",
    "ratio": "is an angle or a count, no ratio",
    "temperature": "is a difference of temperatures",
    "back-emf constant": "leaves open whether electrical or mechanical turns are meant",
}

#: Many drives count electrical turns, of which the pole pairs make one of the shaft.
ELECTRICAL = (
    "electrical turns are divided by the pole pairs here: '0.25 rpm' for one of them a minute at 4 "
    "pole pairs"
)

#: What most files are written in, as how many of it make one canonical unit: loading pint takes
#: longer than reading a rig file does, and every process that opens a bench reads one.
_COMMON = {
    ("angle", "turn"): 1.0 / 360.0,
    ("voltage", "mV"): 1e3,
    ("current", "mA"): 1e3,
    ("resistance", "mohm"): 1e3,
    ("inductance", "mH"): 1e3,
    ("inductance", "uH"): 1e6,
    ("capacitance", "uF"): 1e6,
    ("inertia", "g*cm^2"): 1e7,
    ("torque", "mN*m"): 1e3,
    ("time", "ms"): 1e3,
    ("time", "us"): 1e6,
    ("frequency", "kHz"): 1e-3,
}

#: A number, then its unit. Only this is a quantity: `1 V + 2 V` is arithmetic, not a nameplate.
_FORM = re.compile(r"\s*([+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?)\s*(\S.*)?", re.DOTALL)


@cache
def registry() -> UnitRegistry[Any]:
    """The unit registry, made on first use: pint takes a while to load."""
    import pint

    units: UnitRegistry[Any] = pint.UnitRegistry(autoconvert_offset_to_baseunit=True)
    units.define("newton_metre = newton * meter = Nm")  # else N m without a dot counts as a number
    return units


def split(text: str) -> tuple[float, str]:
    """Number and unit text of ``"24 V"``; the unit is "" if there is none.

    Raises
    ------
    ValueError
        If the text is not one number followed by a unit.
    """
    match = _FORM.fullmatch(text)
    if match is None:
        raise ValueError("not a number with a unit")
    return float(match[1]), (match[2] or "").strip()


def convert(text: object, kind: str) -> float:
    """Read ``"24 V"`` as a number in the canonical unit of `kind`.

    A back-EMF constant may also be given as a speed constant (rpm/V) or torque constant (N*m/A).

    Raises
    ------
    ValueError
        If there is no unit, an unknown unit, or one of another kind of quantity.
    """
    wanted = CANONICAL_UNITS[kind]
    article = "an" if kind[0] in "aeiou" else "a"
    expected = f"expected {article} {kind} with its unit, such as '{_EXAMPLES[kind]}'"
    if isinstance(text, bool) or not isinstance(text, str):
        if kind == "count" and isinstance(text, int | float) and not isinstance(text, bool):
            return float(text)
        unitless = " without unit" if isinstance(text, int | float) else ""
        raise ValueError(f"{expected}, found {text!r}{unitless}")
    try:
        number, unit = split(text)
    except ValueError:
        raise ValueError(f"{expected}, found {text!r}") from None
    if not unit and kind != "count":
        raise ValueError(f"{expected}, found {text!r} without unit")
    value = _scaled(number, unit, kind, wanted, expected)
    if not math.isfinite(value):
        raise ValueError(f"{expected}, found {text!r}, which is not finite")
    return value


def _scaled(number: float, unit: str, kind: str, wanted: str, expected: str) -> float:
    if unit == wanted:  # nothing to convert, and the registry is slow to load
        return number
    if (kind, unit) in _COMMON:
        return _rounded(number / _COMMON[kind, unit])
    found = f"{number:g} {unit}"
    try:
        parsed: Any = registry().parse_units(unit)
    except Exception as error:
        why = f"{unit!r} is not a known unit"
        if kind == "speed" and unit.lower() == "erpm":
            why = ELECTRICAL
        raise ValueError(f"{expected}, found {found!r}: {why}") from error
    quantity: Any = registry().Quantity(number, parsed)
    names = [name for name, _power in quantity.unit_items()]
    bare = {re.sub(r"^(kilo|milli|micro|mega)", "", name) for name in names}
    if bare & _MISLEADING.get(kind, set()):
        raise ValueError(f"{expected}, found {found!r}: {unit} {_INSTEAD[kind]}")
    target: Any = registry().parse_units(wanted)
    if kind == "back-emf constant" and parsed.dimensionality == (1 / target).dimensionality:
        if number == 0.0:
            raise ValueError(f"{expected}, found {found!r}")
        return float((1 / quantity).to(target).magnitude)
    if parsed.dimensionality != target.dimensionality:
        other = next(
            (k for k, u in CANONICAL_UNITS.items()
             if registry().parse_units(u).dimensionality == parsed.dimensionality), "",
        )  # fmt: skip
        raise ValueError(
            f"{expected}, found {found!r}" + (f", which is a {other}" if other else "")
        )
    if kind == "temperature difference":  # "0.5 K" and "0.5 degC" say the same
        zero = float(registry().Quantity(0.0, parsed).to(target).magnitude)
        if zero != 0.0:
            return float(f"{float(quantity.to(target).magnitude) - zero:.10g}")
    return _rounded(float(quantity.to(target).magnitude))


def _rounded(value: float) -> float:
    """Unit factors leave noise in the last digits, which would show in item ids and reports."""
    return float(f"{value:.14g}")


_EXAMPLES = {
    "speed": "3000 rpm",
    "acceleration": "2000 rpm/s",
    "angle": "30 deg",
    "voltage": "24 V",
    "slew": "40 V/s",
    "current": "3 A",
    "power": "50 W",
    "resistance": "1.2 ohm",
    "inductance": "1.4 mH",
    "capacitance": "2200 uF",
    "inertia": "150 g*cm^2",
    "torque": "0.03 N*m",
    "back-emf constant": "4.2 mV/rpm",
    "temperature": "25 degC",
    "temperature difference": "2 K",
    "thermal resistance": "2 K/W",
    "heat capacity": "40 J/K",
    "time": "0.5 s",
    "frequency": "200 Hz",
    "let-through": "10 A^2*s",
    "ratio": "5 %",
    "count": "1",
}


def _of(kind: str) -> BeforeValidator:
    return BeforeValidator(lambda value: convert(value, kind))


def _positive(value: float) -> float:
    if value <= 0.0:
        raise ValueError(f"expected more than zero, found {value:g}")
    return value


def _not_negative(value: float) -> float:
    if value < 0.0:
        raise ValueError(f"expected zero or more, found {value:g}")
    return value


_above = AfterValidator(_positive)
_from_zero = AfterValidator(_not_negative)

Speed = Annotated[float, _from_zero, _of("speed")]
Angle = Annotated[float, _of("angle")]
Voltage = Annotated[float, _above, _of("voltage")]
Current = Annotated[float, _above, _of("current")]
Resistance = Annotated[float, _from_zero, _of("resistance")]
Inductance = Annotated[float, _above, _of("inductance")]
Capacitance = Annotated[float, _above, _of("capacitance")]
Inertia = Annotated[float, _above, _of("inertia")]
Torque = Annotated[float, _from_zero, _of("torque")]
BackEmf = Annotated[float, _above, _of("back-emf constant")]
Temperature = Annotated[float, _of("temperature")]
ThermalResistance = Annotated[float, _above, _of("thermal resistance")]
HeatCapacity = Annotated[float, _above, _of("heat capacity")]
Time = Annotated[float, _from_zero, _of("time")]
Frequency = Annotated[float, _above, _of("frequency")]
Ratio = Annotated[float, _from_zero, _of("ratio")]
#: Limits of error, which may be zero.
VoltageLimit = Annotated[float, _from_zero, _of("voltage")]
CurrentLimit = Annotated[float, _from_zero, _of("current")]
TemperatureLimit = Annotated[float, _from_zero, _of("temperature difference")]
