"""Every change against the release before, and its sense."""

from __future__ import annotations

import copy

import pytest
from hypothesis import given
from hypothesis import strategies as st

from hil.report.dossier.changes import BOTH, LOOSER, OTHER, TIGHTER, changes

BAND = {
    "measure": "overshoot", "low": None, "high": 10.0, "unit": "%", "rule": "simple",
    "guard": 1.0, "risk": None, "requirement": "",
}  # fmt: skip
REQUIREMENT = {
    "id": "R-1", "text": "It starts.", "evidence": "bench", "size": 59, "at-least": 95.0,
    "confidence": 95.0, "verified-by": ["marked R-1"],
}  # fmt: skip


def basis(**parts):
    made = {
        "items": [
            {"plan": "n", "item": name, "conditions": [{"supply": "24 V"}], "bands": [dict(BAND)]}
            for name in ("a", "b")
        ],
        "limits": {"pump: current": ["15 A"]},
        "inputs": {"n.plan.yaml": ["ab" * 32]},
        "plans": ["n.plan.yaml"],
        "harness": ["0.1.0"],
        "requirements": [dict(REQUIREMENT)],
    }
    return copy.deepcopy(made | parts)


def banded(**other):
    made = basis()
    for item in made["items"]:
        item["bands"] = [BAND | other]
    return made


def test_nothing_changed() -> None:
    assert changes(basis(), basis()) == ()


@pytest.mark.parametrize(
    ("old", "new", "sense"),
    [
        ({"high": 10.0}, {"high": 12.0}, LOOSER),
        ({"high": 10.0}, {"high": 9.0}, TIGHTER),
        ({"low": 1.0}, {"low": 0.5}, LOOSER),
        ({"low": 1.0}, {"low": 2.0}, TIGHTER),
        ({}, {"low": 1.0}, TIGHTER),
        ({"low": 1.0}, {}, LOOSER),
        ({"low": 1.0}, {"low": 1.0, "high": None}, LOOSER),
        ({"low": 1.0, "high": 10.0}, {"low": 2.0, "high": 11.0}, BOTH),
        ({}, {"rule": "guarded"}, TIGHTER),
        ({"rule": "guarded"}, {}, LOOSER),
        ({"rule": "guarded"}, {"rule": "guarded", "guard": 0.5}, LOOSER),
        ({"rule": "guarded", "risk": 0.05}, {"rule": "guarded", "risk": 0.01}, TIGHTER),
        ({"rule": "guarded", "risk": 0.05}, {"rule": "guarded"}, BOTH),
        ({}, {"rule": "guarded", "high": 12.0}, BOTH),
        ({}, {"requirement": "R-1"}, OTHER),
    ],
)
def test_the_sense_of_a_changed_band(old: dict, new: dict, sense: str) -> None:
    (found,) = changes(banded(**old), banded(**new))
    assert found.sense == sense
    assert (found.area, found.what, found.where) == ("pass band", "overshoot", ("a", "b"))


def test_a_changed_band_in_words() -> None:
    (found,) = changes(banded(), banded(high=12.5, rule="guarded", requirement="R-1"))
    assert found.old == "at most 10 % (simple)"
    assert found.new == "at most 12.5 % (guarded) for R-1"


finite = st.floats(-1e6, 1e6)


@given(finite, finite, finite, finite)
def test_looser_means_that_nothing_passes_less(a: float, b: float, c: float, d: float) -> None:
    old, new = sorted((a, b)), sorted((c, d))
    found = changes(banded(low=old[0], high=old[1]), banded(low=new[0], high=new[1]))
    if old == new:
        assert found == ()
        return
    (one,) = found
    wider = new[0] <= old[0] and old[1] <= new[1]
    narrower = old[0] <= new[0] and new[1] <= old[1]
    assert one.sense == (LOOSER if wider else TIGHTER if narrower else BOTH)


def test_bands_that_came_and_went() -> None:
    without = banded()
    for item in without["items"]:
        item["bands"] = []
    (gone,) = changes(banded(), without)
    assert (gone.old, gone.new, gone.sense) == ("at most 10 % (simple)", "none", LOOSER)
    (new,) = changes(without, banded())
    assert (new.old, new.new, new.sense) == ("none", "at most 10 % (simple)", TIGHTER)


def test_two_bands_at_once_have_no_sense() -> None:
    two = banded()
    two["items"][0]["bands"] = [BAND, BAND | {"high": 12.0}]
    (found,) = changes(banded(), two)
    assert (found.sense, found.where) == (OTHER, ("a",))
    assert found.new == "at most 10 % (simple) / at most 12 % (simple)"


def test_items_that_came_and_went_and_other_conditions() -> None:
    fewer = basis()
    fewer["items"] = fewer["items"][:1]
    (gone,) = changes(basis(), fewer)
    assert (gone.area, gone.what, gone.sense) == ("item", "b", LOOSER)
    assert (gone.old, gone.new) == ("in plan n", "not there")
    assert changes(fewer, basis())[0].sense == TIGHTER
    other = basis()
    other["items"][0]["conditions"] = [{"supply": "28 V", "repeats": "20"}]
    found = changes(basis(), other)
    assert [(c.what, c.old, c.new, c.where) for c in found] == [
        ("condition supply", "24 V", "28 V", ("a",)),
        ("condition repeats", "none", "20", ("a",)),
    ]


@pytest.mark.parametrize(
    ("old", "new", "sense"),
    [
        ("15 A", "20 A", LOOSER),
        ("15 A", "9.5 A", TIGHTER),
        ("15 A", "15000 mA", OTHER),
        ("dc link capacitor", "load resistor", OTHER),
    ],
)
def test_abort_limits(old: str, new: str, sense: str) -> None:
    (found,) = changes(basis(limits={"pump: x": [old]}), basis(limits={"pump: x": [new]}))
    assert (found.area, found.what, found.old, found.new) == ("abort limit", "pump: x", old, new)
    assert found.sense == sense


def test_abort_limits_that_came_went_or_differ() -> None:
    none, one = basis(limits={}), basis(limits={"x": ["15 A"]})
    assert [c.sense for c in changes(one, none)] == [LOOSER]
    assert [c.sense for c in changes(none, one)] == [TIGHTER]
    (found,) = changes(one, basis(limits={"x": ["15 A", "12 A"]}))
    assert (found.new, found.sense) == ("15 A / 12 A", OTHER)


def test_files_and_tool() -> None:
    found = changes(basis(), basis(inputs={"n.plan.yaml": ["cd" * 32]}, harness=["0.2.0"]))
    assert [(c.area, c.what, c.old, c.new) for c in found] == [
        ("file", "n.plan.yaml", "abababababababab", "cdcdcdcdcdcdcdcd"),
        ("tool", "hil", "0.1.0", "0.2.0"),
    ]


@pytest.mark.parametrize(
    ("other", "what", "sense"),
    [
        ({"text": "It starts well."}, "R-1 text", OTHER),
        ({"evidence": "simulated-is-enough"}, "R-1 evidence", LOOSER),
        ({"size": 30}, "R-1 size", LOOSER),
        ({"size": None}, "R-1 size", LOOSER),
        ({"size": 99}, "R-1 size", TIGHTER),
        ({"at-least": 90.0}, "R-1 at-least", LOOSER),
        ({"confidence": 99.0}, "R-1 confidence", TIGHTER),
        ({"verified-by": ["items x", "items y"]}, "R-1 verified-by", OTHER),
    ],
)
def test_changed_requirements(other: dict, what: str, sense: str) -> None:
    (found,) = changes(basis(), basis(requirements=[REQUIREMENT | other]))
    assert (found.area, found.what, found.sense) == ("requirement", what, sense)


def test_requirements_that_came_and_went() -> None:
    (gone,) = changes(basis(), basis(requirements=[]))
    assert (gone.what, gone.old, gone.new, gone.sense) == ("R-1", "It starts.", "none", LOOSER)
    assert changes(basis(requirements=[]), basis())[0].sense == TIGHTER
