"""Losses over speed and load: the steady states of a run as a table and a small picture."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from markupsafe import Markup

from hil.core.budget import Budget
from hil.core.conditions import Conditions
from hil.core.drive import Direction, Sensing
from hil.core.measure import Measure
from hil.measures.efficiency import OperatingPoint, loss_map
from hil.motor.nameplate import back_emf_line_to_line_peak
from hil.plan.units import convert
from hil.report.loss_sketch import loss_sketch
from hil.report.numbers import NOTHING, measured, plain

#: Places in speed and load below which there is no map, only points.
LEAST = 3


@dataclass(frozen=True)
class Found:
    """An operating point and where it comes from: item, its section in the page, repetition."""

    item: str
    anchor: str
    repeat: int
    point: OperatingPoint


@dataclass(frozen=True)
class LossRow:
    """One place in speed and load, by the point of median loss; ready to print, without units."""

    item: str
    anchor: str
    speed: str
    torque: str
    power_in: str
    power_out: str
    loss: str
    efficiency: str
    others: str


@dataclass(frozen=True)
class LossMap:
    """What the page shows; `points` is how many there are at all places together."""

    rows: tuple[LossRow, ...]
    points: int
    says: str
    picture: Markup


def conditions(nameplate: Mapping[str, str]) -> Conditions | None:
    """What operating points need to know, from the nameplate lines of a record.

    None if the nameplate states no back-EMF constant: then no torque is known. Means of magnitudes
    depend on neither direction, sensing nor set points. A record does not say over which gate a
    tachometer counts, so that a counted speed is taken as readings rounded each on its own.
    """
    text = nameplate.get("back-emf-constant", "")
    convention = nameplate.get("back-emf-convention", "")
    try:
        constant = back_emf_line_to_line_peak(convert(text, "back-emf constant"), convention)
    except ValueError:
        return None
    return Conditions(
        direction=Direction.CLOCKWISE,
        sensing=Sensing.HALL,
        supply_voltage=0.0,
        pole_pairs=1,
        target=0.0,
        back_emf_constant=constant,
    )


def losses(found: Sequence[Found]) -> LossMap | None:
    """The map of `found`; None unless they lie at three places or more in speed and load."""
    places = [[found[i] for i in place] for place in loss_map([f.point for f in found])]
    if len(places) < LEAST:
        return None
    typical = [_typical(place) for place in places]
    rows = tuple(_row(one, place) for one, place in zip(typical, places, strict=True))
    return LossMap(rows, len(found), *loss_sketch([f.point for f in typical]))


def loss_facts(found: Iterable[Found]) -> list[dict[str, Any]]:
    """Every operating point as JSON data; uncertainties are standard ones (k=1)."""
    return [
        {"item": f.item, "repeat": f.repeat}
        | {
            name: {"value": value, "uncertainty": budget.total, "unit": unit}
            for name, (value, budget, unit) in _numbers(f.point).items()
        }
        for f in found
    ]


def _numbers(point: OperatingPoint) -> dict[str, tuple[float, Budget, str]]:
    return {
        "speed": (point.speed, point.budget_speed, "rpm"),
        "torque": (point.torque, point.budget_torque, "N*m"),
        "power_in": (point.power_in, point.budget_in, "W"),
        "power_out": (point.power_out, point.budget_out, "W"),
        "loss": (point.loss, point.budget_loss, "W"),
        "efficiency": (point.efficiency, point.budget_efficiency, "%"),
    }


def _typical(place: Sequence[Found]) -> Found:
    """The point of median loss, of two the lower: no single odd one stands for its place."""
    return sorted(place, key=lambda f: f.point.loss)[(len(place) - 1) // 2]


def _row(typical: Found, place: Sequence[Found]) -> LossRow:
    words = {
        name: measured(Measure(name, "1", value, budget.total, freedom=budget.freedom))
        for name, (value, budget, _) in _numbers(typical.point).items()
    }
    others = sorted(f.point.loss for f in place if f is not typical)
    said = ""
    if others:
        ends = dict.fromkeys((plain(others[0], 3), plain(others[-1], 3)))
        said = f"{len(others)}: {' to '.join(ends)}"
    return LossRow(typical.item, typical.anchor, **words, others=said or NOTHING)
