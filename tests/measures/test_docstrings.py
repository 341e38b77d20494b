"""Public functions say what they take and give, and name errors they raise."""

from __future__ import annotations

import importlib
import inspect
import pkgutil

import pytest

import hil.measures
from hil.measures.recipe import Recipe

MODULES = sorted(m.name for m in pkgutil.iter_modules(hil.measures.__path__))


def public(module):
    for name, thing in vars(module).items():
        if name.startswith("_") or getattr(thing, "__module__", "") != module.__name__:
            continue
        if inspect.isfunction(thing) or inspect.isclass(thing):
            yield name, thing
            if inspect.isclass(thing):
                for inner, method in vars(thing).items():
                    if inspect.isfunction(method) and not inner.startswith("_"):
                        yield f"{name}.{inner}", method


@pytest.mark.parametrize("name", MODULES)
def test_everything_public_is_documented(name):
    module = importlib.import_module(f"hil.measures.{name}")
    assert module.__doc__
    for called, thing in public(module):
        assert thing.__doc__, called
        assert len(thing.__doc__) > 20, called


@pytest.mark.parametrize("name", MODULES)
def test_documented_parameters_exist(name):
    """A parameter section names only what the signature has."""
    module = importlib.import_module(f"hil.measures.{name}")
    for called, thing in public(module):
        doc = inspect.getdoc(thing) or ""
        if "Parameters\n---" not in doc:
            continue
        known = set(inspect.signature(thing).parameters)
        body = doc.split("Parameters\n----------\n", 1)[1].split("\n\n", 1)[0]
        for line in body.splitlines():
            if not line.startswith(" "):
                for word in line.split(" : ")[0].split(", "):
                    assert word in known, (called, word)


def test_recipes_keep_their_words_in_one_place():
    """A measure function is replaced by its recipe, so that nothing can bypass the definition."""
    for name in ("start", "reversal", "stall", "speed_step", "steps", "witness", "latch"):
        module = importlib.import_module(f"hil.measures.{name}")
        recipes = [thing for thing in vars(module).values() if isinstance(thing, Recipe)]
        assert recipes, name
