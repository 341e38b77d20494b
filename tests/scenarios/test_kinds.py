"""A kind of scenario stands in several tables: whichever lacks one is named here, with its file."""

from __future__ import annotations

import inspect
from pathlib import Path

import pytest

from hil.measures.catalogue import KINDS as MEASURED
from hil.measures.catalogue import definitions
from hil.plan.kinds import KINDS as PARAMETERS
from hil.plan.load import load_plan
from hil.plugins.plans import MARKS
from hil.scenarios.act import act

NIGHTLY = Path(__file__).parents[2] / "testplans" / "nightly.plan.yaml"
KINDS = sorted({*PARAMETERS, *MEASURED})


def missing(kind: str) -> list[str]:
    """What a kind still lacks, each with the file it belongs to."""
    found = []
    if kind not in PARAMETERS:
        found.append("hil/plan/kinds.py: a class of parameters in KINDS")
    elif f"case {PARAMETERS[kind].__name__}(" not in inspect.getsource(act):
        found.append("hil/scenarios/act.py: a case in act()")
    if kind not in MEASURED:
        found.append("hil/measures/catalogue.py: its measures in _OWN")
    if kind.replace("-", "_") not in MARKS:
        found.append("hil/plugins/plans.py: its mark in MARKS")
    if kind not in {scenario.kind for scenario in load_plan(NIGHTLY).scenarios}:
        found.append("testplans/nightly.plan.yaml: a scenario of this kind")
    return found


@pytest.mark.parametrize("kind", KINDS)
def test_a_kind_is_complete(kind: str) -> None:
    lacks = missing(kind)
    assert not lacks, "\n".join([f"{kind} lacks", *lacks])


@pytest.mark.parametrize("kind", KINDS)
def test_a_kind_has_a_measure_of_its_own_beside_those_of_all(kind: str) -> None:
    common = set.intersection(*(set(definitions(other)) for other in MEASURED))
    assert set(definitions(kind)) - common


def test_what_is_missing_is_named_with_its_file() -> None:
    told = missing("dance")
    assert [line.partition(":")[0] for line in told] == [
        "hil/plan/kinds.py",
        "hil/measures/catalogue.py",
        "hil/plugins/plans.py",
        "testplans/nightly.plan.yaml",
    ]
    assert all(
        Path(__file__).parents[2].joinpath(line.partition(":")[0]).is_file() for line in told
    )


def test_a_kind_without_a_manoeuvre_is_noticed(monkeypatch: pytest.MonkeyPatch) -> None:
    class Dance(PARAMETERS["start"]):  # type: ignore[misc]
        """Parameters that nothing carries out."""

    monkeypatch.setitem(PARAMETERS, "start", Dance)
    assert missing("start") == ["hil/scenarios/act.py: a case in act()"]
