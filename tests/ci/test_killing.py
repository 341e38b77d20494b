"""A short campaign of kills: what ``ci/kills`` does at length."""

from __future__ import annotations

import importlib.util
import sys
from pathlib import Path
from types import ModuleType

import pytest

FILE = Path(__file__).parents[2] / "ci" / "killing.py"


@pytest.fixture(scope="module")
def killing() -> ModuleType:
    spec = importlib.util.spec_from_file_location("killing", FILE)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules["killing"] = module  # where dataclasses look for their own module
    spec.loader.exec_module(module)
    return module


def test_every_killed_run_leaves_its_supply_off_within_a_second(killing: ModuleType) -> None:
    kills = killing.campaign(count=6, parallel=2, seed=11)  # a core each
    facts = killing.summary(kills)
    assert facts["kills"] == facts["safe"] == 6, kills
    assert facts["supply was on"] >= 2  # between the steps of the preflight it is off
    assert facts["longest off after"] < 1.0


def kill(killing: ModuleType, **more: object):
    facts = {
        "moment": "any time", "after_start": 1.0, "after_output_on": None, "was_on": True,
        "off_after": 0.1, "stayed_off": True, "guard_said": True, "guard_took": 0.01,
    }  # fmt: skip
    return killing.Kill(**(facts | more))


def test_what_counts_as_safe(killing: ModuleType) -> None:
    assert kill(killing).safe
    assert not kill(killing, off_after=1.01).safe
    assert not kill(killing, stayed_off=False).safe
    assert not kill(killing, guard_said=False).safe  # off by chance is not off by the guard
    assert kill(killing, was_on=False, guard_said=False).safe


def test_numbers_of_a_campaign(killing: ModuleType) -> None:
    kills = [
        kill(killing, off_after=0.2, after_output_on=0.03),
        kill(killing, off_after=0.4, after_output_on=2.0),
        kill(killing, was_on=False, off_after=0.0, guard_said=False),
        kill(killing, off_after=3.0),
    ]
    facts = killing.summary(kills)
    assert (facts["kills"], facts["safe"], facts["supply was on"]) == (4, 3, 3)
    assert facts["within 50 ms of output-on"] == 1
    assert (facts["median off after"], facts["longest off after"]) == (0.4, 3.0)
