"""Numbers put into the text of a plan, whatever it looks like."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from hil.cli.plan_edit import unified, with_limits
from hil.core.quantity import CANONICAL_UNITS
from hil.plan.source import Position
from hil.plan.units import convert

KIND = {unit: kind for kind, unit in CANONICAL_UNITS.items()}
#: Units as people write them, and the canonical one.
WRITTEN = [
    ("s", "s"), ("ms", "s"), ("A", "A"), ("mA", "A"), ("V", "V"), ("%", "%"), ("rpm", "rpm"),
    ("mN*m", "N*m"), ("A^2*s", "A^2*s"), ("deg", "deg"), ("degC", "degC"), ("krpm", "rpm"),
]  # fmt: skip
numbers = st.floats(-1e6, 1e6).filter(lambda value: value == 0 or abs(value) > 1e-6)
limits = st.tuples(st.sampled_from(WRITTEN), numbers, numbers)
quotes = st.sampled_from(["", "'", '"'])


@settings(deadline=None)
@given(st.lists(st.tuples(limits, quotes, st.booleans()), min_size=1, max_size=8))
def test_each_limit_reads_as_it_was_put_and_nothing_else_changes(entries):
    lines, changes, unit_of = ["# head  # twice", "bands:"], {}, {}
    for index, (((written, unit), before, after), quote, flow) in enumerate(entries):
        value = f"{quote}{before:.6g} {written}{quote}"
        start = f"  m{index}: {{max: " if flow else f"  m{index}:\n    max: "
        number = sum(line.count("\n") + 1 for line in lines) + start.count("\n") + 1
        place = Position("p", number, len(start.rsplit("\n", 1)[-1]) + 1)
        changes[place], unit_of[place] = after, unit
        lines.append(f"{start}{value}{'}' if flow else ''}   # why {index}, and: {{not}} this")
    text = "\n".join(lines) + "\n"
    edited = with_limits(text, changes, unit_of)
    for place, wanted in changes.items():
        line = edited.splitlines()[place.line - 1]
        assert line.startswith(text.splitlines()[place.line - 1][: place.column - 1])
        found = re.match(r"['\"]?([^'\"}#]+?)['\"]?\}?   #", line[place.column - 1 :])
        assert found is not None
        said = convert(found[1], KIND[unit_of[place]])
        assert said == pytest.approx(wanted, rel=1e-9, abs=1e-12)
    comments = re.compile(r"#.*")
    assert comments.findall(edited) == comments.findall(text)
    assert edited.count("\n") == text.count("\n")


@settings(deadline=None)
@given(st.sampled_from(WRITTEN), numbers)
def test_the_unit_stays_as_it_was_written(pair, value):
    written, unit = pair
    place = Position("p", 1, 4)
    edited = with_limits(f"a: 1 {written}\n", {place: value}, {place: unit})
    assert edited.endswith(f" {written}\n")


def test_line_ends_and_text_in_any_script_stay():
    text = "title: 液体ポンプ 🌱\r\nband: {max: 3 A}\r\n"
    place = Position("p", 2, 13)
    edited = with_limits(text, {place: 4.5}, {place: "A"})
    assert edited == "title: 液体ポンプ 🌱\r\nband: {max: 4.5 A}\r\n"


def test_no_change_is_no_change():
    text = "a:   1 V   # as it is\n"
    assert with_limits(text, {}, {}) == text


def test_a_diff_holds_every_changed_line():
    before = "".join(f"line {n}\n" for n in range(40))
    after = before.replace("line 3\n", "line three\n").replace("line 33\n", "line 3x\n")
    diff = unified(Path("plans/p.yaml"), before, after).splitlines()
    assert diff[:2] == ["--- a/plans/p.yaml", "+++ b/plans/p.yaml"]
    assert [line for line in diff[2:] if line[0] in "+-"] == [
        "-line 3", "+line three", "-line 33", "+line 3x",
    ]  # fmt: skip
