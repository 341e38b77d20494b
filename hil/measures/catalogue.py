"""Which measures each kind of scenario has, in which order, and how to compute them all."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from types import MappingProxyType

from hil.core.conditions import Conditions
from hil.core.measure import Definition, Measure, Outcome
from hil.core.trace import Trace
from hil.measures import (
    derating,
    protection,
    reversal,
    speed_step,
    stall,
    start,
    steps,
    temperature,
    witness,
)
from hil.measures.recipe import Recipe
from hil.measures.view import View

#: Kind of scenario -> its own measures; every kind has those of the witnesses as well.
_OWN: Mapping[str, Mapping[str, Recipe]] = {
    "start": start.RECIPES,
    "reversal": reversal.RECIPES,
    "stall": stall.RECIPES,
    "speed-step": speed_step.RECIPES,
    "protection": protection.RECIPES,
    "derating": derating.RECIPES,
    "steps": steps.RECIPES,
}
#: Kinds of scenario, in the order in which they are listed.
KINDS = tuple(_OWN)
#: Channel -> the one that stands in where a rig does not have it; the measure then says so.
STAND_INS: Mapping[str, str] = MappingProxyType(
    {"witness.speed": "reported.speed", "reported.peak": "reported.current"}
)
_CATALOGUE: Mapping[str, Mapping[str, Recipe]] = {
    kind: MappingProxyType({**_OWN[kind], **witness.RECIPES, **temperature.RECIPES})
    for kind in KINDS
}


def _recipes(kind: str) -> Mapping[str, Recipe]:
    if kind not in _CATALOGUE:
        raise ValueError(f"no kind of scenario is called {kind!r}; there are {', '.join(KINDS)}")
    return _CATALOGUE[kind]


def definitions(kind: str) -> Mapping[str, Definition]:
    """The definitions of a kind by measure name, in the order `measure` returns them.

    Raises
    ------
    ValueError
        If there is no such kind.
    """
    return MappingProxyType({name: r.definition for name, r in _recipes(kind).items()})


def blocked_by(definition: Definition, absent: Sequence[tuple[str, str]]) -> str:
    """Why a measure cannot be had without some channels; "" if it can.

    A channel for which another stands in is not missed, unless the measure holds one against the
    other.

    Parameters
    ----------
    absent : each channel that is never captured, with the reason.
    """
    missing = dict(absent)
    for name in definition.channels:
        instead = STAND_INS.get(name, "")
        replaced = instead and instead not in definition.channels and instead not in missing
        if name in missing and not replaced:
            return missing[name]
    return ""


def measure(kind: str, trace: Trace, conditions: Conditions) -> tuple[Measure, ...]:
    """All measures of a kind, exactly those of `definitions(kind)` in their order.

    A measure without a value says why (`hil.core.measure.Outcome`); an empty or damaged trace
    gives absent measures, never an exception. What the rig has no channel for does not apply.

    Raises
    ------
    ValueError
        If there is no such kind.
    """
    recipes = _recipes(kind)
    view = View(trace, conditions)
    return tuple(_apply(recipe, view) for recipe in recipes.values())


def _apply(recipe: Recipe, view: View) -> Measure:
    definition = recipe.definition
    if reason := blocked_by(definition, view.conditions.absent):
        return Measure.absent(definition.name, definition.unit, Outcome.NOT_APPLICABLE, reason)
    return recipe.apply(view)
