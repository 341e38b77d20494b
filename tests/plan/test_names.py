"""Names of rigs, plans and scenarios that a reader cannot see are refused where they are read."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from hil.core.errors import PlanError
from hil.plan.load import load_plan, load_rig

EXAMPLES = Path(__file__).parents[2] / "testplans"
EXPECTED = (
    "expected lower-case letters, digits, '.', '_' or '-', beginning and ending with a letter or "
    "digit, found "
)
#: File, what stands before its name in it, and the field that is named.
PLACES = [
    ("rigs/dosing-pump.yaml", "\nrig: ", "rig"),
    ("smoke.plan.yaml", "\nplan: ", "plan"),
    ("smoke.plan.yaml", "\n  - id: ", "scenarios[1].id"),
]


@pytest.mark.parametrize(("name", "before", "field"), PLACES, ids=[place[2] for place in PLACES])
@settings(deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    st.characters(max_codepoint=0xFFFF, categories=["Cc", "Cf", "Zs", "Zl", "Zp"]),
    st.integers(0, 4),
)
@example("\0", 2)
@example("\n", 4)
def test_what_is_not_seen_is_refused_with_its_place(
    tmp_path: Path, name: str, before: str, field: str, unseen: str, at: int
) -> None:
    text = (EXAMPLES / name).read_text()
    start = text.index(before) + len(before)
    end = text.index("\n", start)
    bad = "pump"[:at] + unseen + "pump"[at:]
    file = tmp_path / "file.yaml"
    file.write_text(text[:start] + json.dumps(bad) + text[end:])
    load = load_rig if name.startswith("rigs") else load_plan
    with pytest.raises(PlanError) as found:
        load(file)
    line = text.count("\n", 0, start) + 1
    said = str(found.value)
    assert f"{file}:{line}:" in said
    assert f"{field}: {EXPECTED}{bad!r}" in said
