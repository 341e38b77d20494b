"""Which measures each kind of scenario has, in which order, and how to compute them all."""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType

from hil.core.conditions import Conditions
from hil.core.measure import Definition, Measure
from hil.core.trace import Trace
from hil.measures import reversal, speed_step, stall, start, steps, temperature, witness
from hil.measures.recipe import Recipe
from hil.measures.view import View

#: Kind of scenario -> its own measures; every kind has those of the witnesses as well.
_OWN: Mapping[str, Mapping[str, Recipe]] = {
    "start": start.RECIPES,
    "reversal": reversal.RECIPES,
    "stall": stall.RECIPES,
    "speed-step": speed_step.RECIPES,
    "steps": steps.RECIPES,
}
#: Kinds of scenario, in the order in which they are listed.
KINDS = tuple(_OWN)
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


def measure(kind: str, trace: Trace, conditions: Conditions) -> tuple[Measure, ...]:
    """All measures of a kind, exactly those of `definitions(kind)` in their order.

    A measure without a value says why (`hil.core.measure.Outcome`); an empty or damaged trace
    gives absent measures, never an exception.

    Raises
    ------
    ValueError
        If there is no such kind.
    """
    recipes = _recipes(kind)
    view = View(trace, conditions)
    return tuple(recipe.apply(view) for recipe in recipes.values())
