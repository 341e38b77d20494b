"""Checks that a person has signed: kept, found again, and refused when they no longer hold."""

from __future__ import annotations

import json
from datetime import UTC, datetime, timedelta, timezone
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from hil.bench.checklist import Unchecked, file_of, newest, points_of, sign, told, valid
from hil.core.errors import BenchError
from hil.plan.load import load_rig
from hil.plan.rig import Rig

SHIPPED = Path(__file__).parents[2] / "testplans" / "rigs" / "dosing-pump.yaml"
NOW = datetime(2026, 3, 1, 22, 15, tzinfo=UTC)


def rig_in(folder: Path, more: str = "points: [The tank is empty.]", name: str = "pump") -> Rig:
    file = folder / "pump.yaml"
    file.write_text(
        f"based-on: {SHIPPED}\nrig: {name}\nchecklist: {{valid-for: 14 d, {more}}}\n",
        encoding="utf-8",
    )
    return load_rig(file)


def test_a_signed_check_holds_and_says_by_whom_and_until_when(tmp_path: Path) -> None:
    rig = rig_in(tmp_path)
    sign(rig, "  A.\tBench ", NOW)
    signed = valid(rig, NOW + timedelta(days=13.9))
    assert (signed.who, signed.at) == ("A. Bench", NOW)
    assert told(rig, signed) == (
        "checklist of 9 points signed by A. Bench on 2026-03-01 22:15 UTC, valid until "
        "2026-03-15 22:15 UTC"
    )
    assert file_of(rig) == tmp_path / "pump.checklist.jsonl"


def test_without_a_check_a_person_is_told_what_to_do(tmp_path: Path) -> None:
    rig = rig_in(tmp_path)
    with pytest.raises(Unchecked, match=r"rig pump was never signed; .*hil checklist .*pump\.yaml"):
        valid(rig, NOW)


@pytest.mark.parametrize("seconds", [-1.0, 0.0, 1.0])
def test_it_holds_for_as_long_as_the_rig_file_says(tmp_path: Path, seconds: float) -> None:
    rig = rig_in(tmp_path)
    sign(rig, "A. Bench", NOW)
    later = NOW + timedelta(days=14, seconds=seconds)
    if seconds <= 0.0:
        valid(rig, later)
        return
    with pytest.raises(Unchecked, match=r"14\.0 days ago: expected within 14 days; a person must"):
        valid(rig, later)


def test_the_newest_one_counts_whatever_the_order_of_the_lines(tmp_path: Path) -> None:
    rig = rig_in(tmp_path)
    for days, who in ((0, "A"), (9, "B"), (3, "C")):
        sign(rig, who, NOW + timedelta(days=days))
    found = newest(rig)
    assert found is not None
    assert found.who == "B"
    assert len(file_of(rig).read_text().splitlines()) == 3, "none is lost"


def test_who_changes_the_list_checks_anew(tmp_path: Path) -> None:
    sign(rig_in(tmp_path), "A. Bench", NOW)
    changed = rig_in(tmp_path, more="points: [The tank is empty., The lid is on.]")
    with pytest.raises(
        Unchecked, match=r"has changed since it was signed by A\. Bench on 2026-03-01"
    ):
        valid(changed, NOW)


def test_where_braking_energy_goes_is_part_of_it(tmp_path: Path) -> None:
    rig = rig_in(tmp_path)
    sign(rig, "A. Bench", NOW)
    other = rig.regeneration.model_copy(update={"absorbed_by": "load-resistor"})
    with pytest.raises(Unchecked, match="has changed"):
        valid(rig.model_copy(update={"regeneration": other}), NOW)


def test_a_check_of_another_rig_in_the_same_file_is_none(tmp_path: Path) -> None:
    sign(rig_in(tmp_path, name="before"), "A. Bench", NOW)
    with pytest.raises(Unchecked, match="never signed"):
        valid(rig_in(tmp_path), NOW)


@pytest.mark.parametrize("minutes", [4.9, 5.1])
def test_a_check_from_the_future_is_a_clock_that_is_wrong(tmp_path: Path, minutes: float) -> None:
    rig = rig_in(tmp_path)
    sign(rig, "A. Bench", NOW + timedelta(minutes=minutes))
    if minutes < 5.0:
        valid(rig, NOW)
        return
    with pytest.raises(Unchecked, match="later than now by the clock of this host"):
        valid(rig, NOW)


def test_the_time_is_kept_in_utc(tmp_path: Path) -> None:
    rig = rig_in(tmp_path)
    sign(rig, "A. Bench", NOW.astimezone(timezone(timedelta(hours=5))))
    (line,) = file_of(rig).read_text().splitlines()
    assert json.loads(line)["utc"] == "2026-03-01T22:15:00+00:00"


@pytest.mark.parametrize(
    "line", ["", "{", "[]", "3", '{"utc": "now"}', '{"who": "A"}', '{"utc": 3, "who": "A"}']
)
def test_a_line_that_is_none_is_named(tmp_path: Path, line: str) -> None:
    rig = rig_in(tmp_path)
    sign(rig, "A. Bench", NOW)
    with file_of(rig).open("a") as file:
        file.write(line + "\n")
    if not line:
        valid(rig, NOW)
        return
    with pytest.raises(Unchecked, match=r"pump\.checklist\.jsonl:2: expected a signed check"):
        valid(rig, NOW)


def test_what_cannot_be_read_or_written_is_told(tmp_path: Path) -> None:
    rig = rig_in(tmp_path)
    file_of(rig).mkdir()
    with pytest.raises(Unchecked, match="cannot be read"):
        valid(rig, NOW)
    with pytest.raises(BenchError, match="cannot be written"):
        sign(rig, "A. Bench", NOW)


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture], max_examples=30)
@given(
    st.text(st.characters(exclude_categories=("Cs", "Cc")), min_size=1),
    st.datetimes(datetime(2000, 1, 1), datetime(2100, 1, 1), timezones=st.just(UTC)),
)
def test_any_name_and_time_come_back(tmp_path: Path, who: str, at: datetime) -> None:
    rig = rig_in(tmp_path)
    file_of(rig).unlink(missing_ok=True)
    sign(rig, who, at)
    found = newest(rig)
    assert found is not None
    assert found.who == " ".join(who.split())
    assert found.at == at.replace(microsecond=0)
    assert found.points == points_of(rig)
