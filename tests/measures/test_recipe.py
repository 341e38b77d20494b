"""Recipes: words and function in one, absent values with a reason, no number that is none."""

from __future__ import annotations

import numpy as np
import pytest

from hil.core.budget import NOISE, Budget, Contribution, line
from hil.core.measure import Outcome
from hil.core.trace import Trace
from hil.measures.recipe import EXACT, Estimate, defines, flag
from hil.measures.unmeasurable import Unmeasurable
from hil.measures.view import View


@pytest.fixture
def view(lab):
    return View(Trace({}), lab.conditions())


def recipe(compute):
    return defines("some-measure", "rpm", "What\n    it is.", source="common")(compute)


def test_the_words_become_the_definition(view):
    made = recipe(lambda _: Estimate(3.0, line(NOISE, 0.5, freedom=9.0), 0.1, "note"))
    assert made.definition.text == "What it is."
    found = made.apply(view)
    assert (found.name, found.unit) == ("some-measure", "rpm")
    assert (found.value, found.uncertainty, found.resolution) == (3.0, 0.5, 0.1)
    assert found.detail == "note"


@pytest.mark.parametrize("outcome", [o for o in Outcome if o is not Outcome.VALUE])
def test_a_reason_becomes_an_absent_measure(view, outcome):
    def compute(_):
        raise Unmeasurable(outcome, "because")

    found = recipe(compute).apply(view)
    assert (found.value, found.outcome, found.detail) == (None, outcome, "because")


@pytest.mark.parametrize("bad", [np.nan, np.inf, -np.inf])
def test_what_is_not_a_number_is_not_reported_as_one(view, bad):
    wild = Budget((Contribution(NOISE, abs(bad)),))
    for estimate in (Estimate(bad), Estimate(1.0, wild), Estimate(1.0, EXACT, bad)):
        found = recipe(lambda _, e=estimate: e).apply(view)
        assert found.outcome is Outcome.MISSING_DATA
        assert found.detail


def test_no_negative_zero(view):
    assert str(recipe(lambda _: Estimate(-0.0)).apply(view).value) == "0.0"


def test_a_defect_of_the_project_is_not_hidden(view):
    def compute(_):
        raise KeyError("ours")

    with pytest.raises(KeyError):
        recipe(compute).apply(view)


def test_flags():
    assert flag(True) == Estimate(1.0)
    assert flag(False, "why") == Estimate(0.0, detail="why")
