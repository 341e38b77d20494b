"""What a motor cannot reach: its back-EMF against the voltage there is.

Between two lines the back-EMF peaks at K w. Where that is more than the DC link gives, no
commutation drives current into the motor any more, unless it weakens the field (leads the phase
angle). Resistance and load only make the speed that is reached lower.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from hil.motor.nameplate import back_emf, highest_speed
from hil.plan.kinds import StepsParameters
from hil.plan.plan import PlannedItem
from hil.plan.rig import Rig
from hil.plan.source import Where
from hil.plan.steps import SetSpeed, Start, Stop, SupplyOff, SupplyOn, Sweep

#: At rated speed a motor carries its load from the rated voltage, so that K w lies below it. Up to
#: this many times is let pass: rated voltages of drives for the mains are RMS (sqrt 2), magnets and
#: their data differ by 10 %, and some plates rate a lead of the phase of a quarter; together 1.94
#: (common practice, no source). A constant given per phase or a slipped decimal point lies beyond.
MOST_AT_RATED_SPEED = 2.0
#: The same at max-speed, which is often what bearings and magnets bear, or field weakening reaches:
#: seldom over three times the speed without load (common practice, no source).
MOST_AT_MAX_SPEED = 3.0
#: So many items are named in one sentence.
NAMED = 10


def check_name_plate(rig: Rig) -> Iterator[tuple[Where, str]]:
    """A back-EMF constant that the speeds and the rated voltage of the same plate rule out."""
    motor = rig.motor
    for key, speed, most, enough in (
        ("rated-speed", motor.rated_speed, MOST_AT_RATED_SPEED, 0.0),
        ("max-speed", motor.max_speed, MOST_AT_MAX_SPEED, rig.supply.max_voltage),
    ):
        emf = back_emf(motor.back_emf_constant, speed)
        if emf > max(most * motor.rated_voltage, enough):
            yield (
                ("motor", "back-emf-constant"),
                f"motor.back-emf-constant: back-emf-constant x {key} {speed:g} rpm = {emf:.3g} V "
                f"line to line (peak), beyond rated-voltage {motor.rated_voltage:g} V; expected at "
                f"most {most:g} times that. One of the three, back-emf-convention, or its unit is "
                "wrong",
            )
            return


def beyond_reach(item: PlannedItem, rig: Rig) -> str:
    """Why no firmware can bring the motor of the rig to the speeds of an item; or ""."""
    reasons = (beyond_voltage(rig, speed=s, voltage=v) for s, v in _asked(item))
    return next((reason for reason in reasons if reason), "")


def _asked(item: PlannedItem) -> Iterator[tuple[float, float]]:
    """Each speed asked for, rpm, and the supply voltage meanwhile, V; a dip is over too soon."""
    voltage = item.supply_voltage
    if not isinstance(item.parameters, StepsParameters):
        yield from ((speed, voltage) for _, speed in item.parameters.speeds())
        return
    speed = 0.0
    for step in item.parameters.steps:
        match step:
            case SupplyOn():
                voltage = item.supply_voltage if step.voltage is None else step.voltage
            case Start() | SetSpeed() | Sweep():
                speed = step.speed
            case Stop() | SupplyOff():
                speed = 0.0
        yield speed, voltage


def beyond_voltage(rig: Rig, *, speed: float, voltage: float) -> str:
    """As `beyond_reach`, for a speed in rpm from a supply of so many V."""
    constant = rig.motor.back_emf_constant
    emf = back_emf(constant, speed)
    if emf <= voltage:
        return ""
    return (
        f"{speed:g} rpm is out of reach at {voltage:g} V: by the rig file the back-EMF alone is "
        f"{emf:.1f} V there, and {highest_speed(constant, voltage):.0f} rpm the most without load "
        "and without field weakening"
    )


def out_of_reach(items: Sequence[PlannedItem], rig: Rig) -> Iterator[str]:
    """Which items ask for a speed that their supply voltage cannot give, with file and line."""
    found: dict[tuple[str, int, str], list[str]] = {}
    for item in items:
        if not item.lacks and (reason := beyond_reach(item, rig)):
            found.setdefault((item.file, item.line, reason), []).append(item.id)
    for (file, line, reason), those in found.items():
        more = f" and {len(those) - NAMED} more" if len(those) > NAMED else ""
        yield (
            f"{file}:{line}: {', '.join(those[:NAMED])}{more}: {reason}; what fails there need "
            "not be the firmware's"
        )
