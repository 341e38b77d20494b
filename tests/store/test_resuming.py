"""What may be gone on with, and what is left."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from hil.core.errors import StoreError
from hil.core.record import Identity, ItemResult, ItemStart, RunEnd, RunStart
from hil.core.verdict import Verdict
from hil.store.folder import RunFolder
from hil.store.reading import RunRecord
from hil.store.resuming import (
    differences,
    hashes_of,
    refuse_if_other,
    refuse_if_over,
    remaining,
    resumed,
)

UTC = "2026-03-01T22:15:09.123Z"
BOARD = Identity(role="board", model="DRIVE", serial="7", revision="1.4.0", resource="/dev/ttyUSB0")


@pytest.fixture
def start(run_start: RunStart) -> RunStart:
    return replace(
        run_start,
        identities=(BOARD,),
        hashes={"n.plan.yaml": "a" * 64, "fw.c": "c" * 64},
        limits={"speed": "6500 rpm"},
        firmware={"fw.c": "c" * 64},
    )


def record(*entries: object) -> RunRecord:
    return RunRecord(Path("runs/r"), entries[0], entries)  # type: ignore[arg-type]


def result(item_result: ItemResult, item: str, verdict: Verdict, reason: str = "r") -> ItemResult:
    return replace(item_result, item=item, verdict=verdict, reason=reason)


@pytest.mark.parametrize(
    ("verdict", "reason", "kind"),
    [
        (Verdict.PASS, "r", "kept"),
        (Verdict.FAIL, "r", "kept"),
        (Verdict.UNDECIDED, "r", "kept"),
        (Verdict.BENCH_FAULT, "bench: the supply does not answer", "kept"),
        (Verdict.BENCH_FAULT, "bench: interrupted: Ctrl-C", "interrupted"),
        (Verdict.BENCH_FAULT, "bench: cut short: limit", "interrupted"),
        (Verdict.FAIL, "bench: interrupted: Ctrl-C", "kept"),
        (Verdict.NOT_RUN, "interrupted: Ctrl-C", "not_run"),
    ],
)
def test_every_item_is_kept_or_run(
    run_start: RunStart, item_start: ItemStart, item_result: ItemResult,
    verdict: Verdict, reason: str, kind: str,
) -> None:  # fmt: skip
    left = remaining(record(run_start, item_start, result(item_result, "a", verdict, reason)))
    found = {"kept": tuple(left.kept), "interrupted": left.interrupted, "not_run": left.not_run}
    assert "a" in found[kind]
    assert sorted((*left.kept, *left.again)) == ["a", "b", "c"]


def test_the_words_of_a_time_limit_are_those_that_scenarios_use() -> None:
    from hil.scenarios.result import cut_short
    from hil.store.resuming import CUT_SHORT

    for error in (pytest.fail.Exception("Timeout (>4.0s)"), SystemExit(1)):
        assert f"bench: {cut_short(error)}".startswith(CUT_SHORT)


def test_an_item_in_the_midst_of_which_the_run_was_ended_is_run_again(
    run_start, item_start, item_result
) -> None:
    ended = replace(
        result(item_result, "a", Verdict.NOT_RUN, "interrupted: Ctrl-C"), interrupted=True
    )
    left_out = result(item_result, "b", Verdict.NOT_RUN, "interrupted: Ctrl-C")
    left = remaining(record(run_start, item_start, ended, left_out))
    assert (left.interrupted, left.not_run) == (("a",), ("b", "c"))
    whole = result(item_result, "a", Verdict.PASS)
    assert "a" in remaining(record(run_start, item_start, ended, item_start, whole)).kept


def test_the_last_word_counts(run_start, item_start, item_result) -> None:
    whole = result(item_result, "a", Verdict.PASS)
    assert "a" in remaining(record(run_start, item_start, whole)).kept
    assert remaining(record(run_start, item_start, whole, item_start)).interrupted == ("a",)


def test_a_further_part_says_what_it_keeps_and_runs(run_start, item_start, item_result) -> None:
    before = record(run_start, item_start, item_result)
    part = resumed(before, remaining(before), replace(run_start, utc=UTC, operator="night shift"))
    assert (part.number, part.kept, part.again, part.operator) == (
        1, 1, ("b", "c"), "night shift",
    )  # fmt: skip


def test_only_a_run_that_came_to_its_end_is_over(run_start: RunStart) -> None:
    for reason in ("interrupted: Ctrl-C", "stopped: -x", "refused: no bench"):
        refuse_if_over(record(run_start, RunEnd(utc=UTC, reason=reason, counts={})))
    with pytest.raises(StoreError, match=f"came to its end at {UTC}"):
        refuse_if_over(record(run_start, RunEnd(utc=UTC, reason="completed", counts={})))


def test_what_does_not_matter_may_differ(start: RunStart) -> None:
    now = replace(
        start, utc="2026-03-02T01:00:00Z", bench="other words", operator="x", host={"a": "b"},
        identities=(replace(BOARD, resource="/dev/ttyUSB3"),),
    )  # fmt: skip
    assert list(differences(start, now)) == []
    refuse_if_other(record(start), now)


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"simulated": False}, "it ran on the simulated bench, this would be hardware"),
        ({"rig": "other"}, "rig name: was dosing-pump, is other"),
        ({"hashes": {"n.plan.yaml": "b" * 64, "fw.c": "c" * 64}},
         "n.plan.yaml: SHA-256 was aaaaaaaaaaaa, is bbbbbbbbbbbb"),
        ({"hashes": {"fw.c": "c" * 64}}, "n.plan.yaml: SHA-256 was aaaaaaaaaaaa, is none"),
        ({"limits": {"speed": "7000 rpm"}}, "limit speed: was 6500 rpm, is 7000 rpm"),
        ({"firmware": {"fw.c": "c" * 64, "x.bin": "e" * 64}},
         "firmware x.bin: SHA-256 was none, is eeeeeeeeeeee"),
        ({"seed": 3}, "seed: was 0, is 3"),
        ({"items": ("a", "b")}, "3 items were planned, other than the 2 found now"),
        ({"identities": (replace(BOARD, revision="1.5.0"),)},
         "board: was DRIVE 7 1.4.0, is DRIVE 7 1.5.0"),
        ({"identities": ()}, "board: was DRIVE 7 1.4.0, is none"),
        ({"identities": (BOARD, Identity(role="brake", model="B"))}, "brake: was none, is B"),
    ],
)  # fmt: skip
def test_each_difference_is_named_with_both_sides(
    start: RunStart, change: dict[str, object], words: str
) -> None:
    now = replace(start, **change)  # type: ignore[arg-type]
    assert list(differences(start, now)) == [words]
    with pytest.raises(StoreError) as refusal:
        refuse_if_other(record(start), now)
    assert words in str(refusal.value)
    assert str(refusal.value).startswith("runs/r cannot be resumed")


def test_a_served_simulated_bench_is_told_by_its_instruments_alone(start: RunStart) -> None:
    """Reached as hardware is, it is not known to be simulated before they were asked."""
    assert start.simulated
    now = replace(start, simulated=False, firmware={}, identities=())
    assert list(differences(start, now, asked=False)) == []
    told = list(differences(start, replace(now, identities=start.identities), asked=True))
    assert told[0] == "it ran on the simulated bench, this would be hardware"
    (told_before,) = differences(start, replace(start, simulated=False), asked=False)
    assert told_before == told[0]  # they were asked, though the board may still get its firmware
    real = replace(start, simulated=False)
    (told_at_once,) = differences(real, replace(real, simulated=True), asked=False)
    assert told_at_once == "it ran on hardware, this would be the simulated bench"


def test_devices_are_compared_only_once_they_were_asked(start: RunStart) -> None:
    assert list(differences(start, replace(start, identities=()), asked=False)) == []


def test_a_board_that_still_gets_its_firmware_may_have_another_the_rest_may_not(
    start: RunStart,
) -> None:
    supply = Identity(role="supply", model="S", serial="1")
    before = replace(start, identities=(BOARD, supply))
    board = replace(BOARD, revision="1.5.0")
    now = replace(start, identities=(board, supply))
    assert list(differences(before, now, asked=False)) == []
    now = replace(start, identities=(board, replace(supply, serial="2")))
    assert list(differences(before, now, asked=False)) == ["supply: was S 1, is S 2"]


def test_hashes_are_those_that_a_folder_gives(tmp_path: Path) -> None:
    for place in ("one", "two"):
        (tmp_path / place).mkdir()
        (tmp_path / place / "f.yaml").write_text(place)
    (tmp_path / "same.yaml").write_text("x")
    groups = [
        [tmp_path / "one" / "f.yaml", tmp_path / "same.yaml", tmp_path / "same.yaml"],
        [tmp_path / "two" / "f.yaml", tmp_path / "same.yaml"],
    ]
    with RunFolder.create(tmp_path / "runs", "r") as folder:
        kept: dict[str, str] = {}
        for group in groups:
            kept |= folder.keep_inputs(group)
    assert hashes_of(groups, {}) == kept
    assert set(kept) == {"f.yaml", "same.yaml", "f-2.yaml", "same-2.yaml"}


def test_a_file_that_is_gone_is_named(tmp_path: Path) -> None:
    with pytest.raises(StoreError, match=r"gone\.yaml: cannot be read"):
        hashes_of([[tmp_path / "gone.yaml"]], {})
