"""The tables of keys in ``testplans/README.md`` name what the models know, and nothing else."""

from __future__ import annotations

import re

import pytest

from hil.core.drive import Fault
from hil.plan.checks import LINES
from hil.plan.kinds import KINDS, Saturation
from hil.plan.matrix import NO_AXIS, keys_of
from hil.plan.parameters import ItemConditions, Parameters
from hil.plan.plan import BandText, Defaults, PlanHead, ScenarioHead, SequentialText, Success
from hil.plan.read_steps import _ALL as STEPS
from hil.plan.read_steps import read_step
from hil.plan.steps import STATES


@pytest.fixture
def table(shipped):
    """Rows of the table under a heading: the texts of its two columns."""
    text = (shipped / "README.md").read_text(encoding="utf-8")

    def rows(heading: str) -> list[tuple[str, str]]:
        part = re.split(r"^#+ ", text.partition(f"\n## {heading}\n")[2], maxsplit=1, flags=re.M)[0]
        found = re.findall(r"^\| (.*?) \| (.*) \|$", part, re.M)
        assert len(found) > 1, heading
        return found[1:]

    return rows


def words(text: str) -> list[str]:
    return re.findall(r"`([^`]+)`", text)


def keys(rows: list[tuple[str, str]]) -> list[str]:
    return [word for first, _ in rows for word in words(first)]


@pytest.mark.parametrize(
    ("heading", "models"),
    [
        ("File", [PlanHead]),
        ("Defaults", [Defaults]),
        ("Every scenario", [ScenarioHead, ItemConditions, Parameters]),
        ("Band", [BandText]),
        ("Success", [Success]),
    ],
)
def test_every_key_is_told_once(table, heading, models):
    assert sorted(keys(table(heading))) == sorted(key for model in models for key in keys_of(model))


def test_every_kind_has_its_own_keys(table):
    rows = {words(first)[0]: words(rest) for first, rest in table("Of each kind")}
    assert set(rows) == set(KINDS)
    common = set(keys_of(Parameters))
    for kind, told in rows.items():
        own = set(keys_of(KINDS[kind])) - common
        assert own <= set(told), kind
        values = {"trip", "no-trip", "true", "{brake-torque: ..., hold: ...}"}
        values |= {step for step in STEPS if kind == "protection"}
        assert set(told) - own <= values, kind
    assert set(re.findall(r"([a-z-]+): \.\.\.", "{brake-torque: ..., hold: ...}")) == set(
        keys_of(Saturation)
    )


def test_the_rest_of_a_matrix_and_a_series(table):
    assert keys(table("Matrix")) == list(NO_AXIS)
    series = words(dict(table("Success"))["`sequential`"])
    assert series == list(keys_of(SequentialText))


def test_every_step_is_told_by_an_example_that_can_be_read(table):
    told = []
    for first, _ in table("Steps"):
        head, *rest = words(first)
        name, colon, value = head.partition(": ")
        told.append(name)
        if not colon:
            read_step(name)
            continue
        raw = {name: parsed(value)}
        if "with" in first:
            key, _, seconds = rest[0].partition(": ")
            raw[key] = seconds
        read_step(raw)
    assert sorted(told) == sorted(STEPS)


def parsed(value: str) -> object:
    if value.startswith("{"):
        key, _, inner = value.strip("{}").partition(": ")
        return {key: inner}
    return value.strip("[]").split(", ") if value.startswith("[") else value


def test_every_word_is_told(table):
    rows = {first: words(rest) for first, rest in table("Words")}
    assert rows["state"] == list(STATES)
    assert rows["fault"] == [word for fault in Fault for word in fault.words]
    assert rows["line"] == list(LINES)
