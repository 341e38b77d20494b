"""Runs of a release: one firmware, instruments in date, nothing altered."""

from __future__ import annotations

from dataclasses import replace

import pytest

from hil.core.errors import StoreError
from hil.core.record import Checkout, ItemStart, RunEnd
from hil.core.verdict import Verdict
from hil.report.dossier.assess import Status
from hil.report.dossier.facts import facts as facts_of
from hil.report.dossier.page import page
from hil.report.dossier.runs import boards_of, look_at, one_firmware

ONE = "  - {id: R-1, text: It starts.}\n"


@pytest.fixture
def good(lab):
    return lab.item("x", lab.judged(), marks=["R-1"])


# -- one firmware ------------------------------------------------------------------------------


def test_two_builds_are_refused_by_name(lab, good) -> None:
    runs = lab.run("a", good), lab.run("b", good, revision="B2"), lab.run("c", good)
    with pytest.raises(StoreError) as caught:
        lab.release(lab.requirements(ONE), *runs)
    assert str(caught.value) == (
        "the runs are of more than one firmware, and a release is of one: DRIVE B1: a, c; DRIVE "
        "B2: b"
    )


def test_one_build_of_two_commits_or_two_images_is_refused(lab, good) -> None:
    first = lab.run("a", good)
    other = lab.run("b", good, change=lambda s: replace(s, commit="decade"))
    with pytest.raises(StoreError, match=r"more than one commit.*c0ffee: a; decade: b"):
        lab.release(lab.requirements(ONE), first, other)
    other = lab.run("c", good, change=lambda s: replace(s, firmware={"image.bin": "cd" * 32}))
    with pytest.raises(StoreError, match="more than one firmware image"):
        lab.release(lab.requirements(ONE), first, other)


def test_what_one_run_did_not_record_another_may_tell(lab, good) -> None:
    runs = (
        lab.run("a", good, change=lambda s: replace(s, commit="", firmware={})),
        lab.run("b", good, serial="S-8"),
    )
    firmware = one_firmware([look_at(run, {}) for run in runs])
    assert (str(firmware), firmware.commit) == ("DRIVE B1", "c0ffee")
    assert firmware.images == {"image.bin": "ab" * 32}
    release = lab.release(lab.requirements(ONE), *runs)
    assert "run a: not recorded: hash of the firmware image" in release.remarks


def test_what_no_commit_tells_of_plans_and_rig_files_is_to_be_known(lab, good) -> None:
    commit = "ab" * 20
    clean = Checkout(files=("pump.yaml",), commit=commit)
    dirty = replace(clean, changed=("pump.yaml",))
    runs = (
        lab.run("a", good, change=lambda s: replace(s, checkouts=(clean,))),
        lab.run("b", good, change=lambda s: replace(s, checkouts=(clean, dirty))),
        lab.run("c", good, change=lambda s: replace(s, checkouts=())),
    )
    release = lab.release(lab.requirements(ONE), *runs)
    assert (
        f"run b: plans and rig files: 1 file of commit {commit}, DIRTY (not as committed: "
        "pump.yaml)"
    ) in release.remarks
    assert "run c: not recorded: commit of plans and rig files" in release.remarks
    assert not any(text.startswith("run a:") for text in release.remarks)
    told = facts_of(release)["runs"]
    assert [len(one["checkouts"]) for one in told] == [1, 2, 0]
    assert told[1]["checkouts"][1]["dirty"] is True
    html = page(release, signed=False)
    assert f"1 file of commit {commit}, all as committed" in html
    assert html.count("<dt>Plans and rig files</dt>") == 4


def test_firmware_that_changed_during_the_run_is_refused(lab, good) -> None:
    run = lab.run("a", good, end_revision="B2")
    with pytest.raises(StoreError, match="said DRIVE S-7 B1 at the start and DRIVE S-7 B2 at the"):
        lab.release(lab.requirements(ONE), run)


def test_a_run_without_a_board_is_evidence_of_nothing(lab, good) -> None:
    run = lab.run("a", good, change=lambda s: replace(s, identities=()))
    with pytest.raises(StoreError, match="no board answered"):
        look_at(run, {})


def test_a_board_that_reports_no_build_keeps_the_release_from_being_qualified(lab, good) -> None:
    run = lab.run("a", good, revision="", change=lambda s: replace(s, firmware={}))
    release = lab.release(lab.requirements(ONE), run)
    assert release.outcome == "NOT qualified"
    assert release.blocks == ("which firmware ran is unknown: the board reports no build",)


def test_boards_are_counted_by_serial_number(lab, good) -> None:
    runs = [look_at(lab.run(n, good, serial=s), {}) for n, s in [("a", "1"), ("b", "1")]]
    assert boards_of(runs) == "1 board (1)"
    nameless = look_at(lab.run("c", good, serial=""), {})
    assert boards_of([nameless]) == "one board (no serial number reported)"
    assert boards_of([*runs, nameless]) == "2 boards (1, no serial number)"


# -- calibration -------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("due", "standing"),
    [
        ("2026-03-01", "in date"),  # the day of test itself
        ("2026-02-28", "expired"),
        ("", "unknown"),
        ("next spring", "unknown"),
    ],
)
def test_calibration_on_the_day_of_test(lab, good, due: str, standing: str) -> None:
    facts = look_at(lab.run("a", good, due={"supply": due}), {})
    assert [one.standing for one in facts.instruments] == [standing]
    assert bool(facts.doubts) is (standing != "in date")


def test_the_last_day_of_a_run_over_midnight_counts(lab, good) -> None:
    late = replace(good, utc="2026-03-02T00:10:00.000Z")
    facts = look_at(lab.run("a", late, due={"supply": "2026-03-01"}), {})
    assert facts.days == ("2026-03-01", "2026-03-02")
    assert facts.instruments[0].why == "was due on 2026-03-01, the test was on 2026-03-02"


def test_a_role_that_needs_no_calibration_says_why(lab, good) -> None:
    run = lab.run("a", good, due={"brake": "", "supply": "2027-01-01"})
    assert look_at(run, {}).doubts == ("calibration of the brake: due date unknown",)
    facts = look_at(run, {"brake": "it only holds"})
    assert facts.doubts == ()
    assert (facts.instruments[0].standing, facts.instruments[0].why) == (
        "not needed",
        "it only holds",
    )


def test_simulated_instruments_are_not_asked(lab, good) -> None:
    facts = look_at(lab.run("a", good, due={"supply": ""}, simulated=True), {})
    assert (facts.instruments[0].standing, facts.doubts) == ("simulated", ())


# -- whole and unaltered -----------------------------------------------------------------------


def status_of(lab, *runs):
    release = lab.release(lab.requirements(ONE), *runs)
    return release.assessments[0].status, release


def test_an_altered_run_covers_nothing_and_says_what_was_altered(lab, good) -> None:
    run = lab.run("a", good)
    (run / "measures.csv").write_text("all well")
    status, release = status_of(lab, run)
    assert status is Status.UNDECIDED
    assert "run a: measures.csv: altered: SHA-256" in release.assessments[0].reasons[0]


def test_a_run_in_doubt_is_told_where_it_leaves_nothing_open_too(lab, good) -> None:
    run = lab.run("b", lab.item("other", lab.judged()))
    assert not any(
        "in doubt" in text for text in status_of(lab, lab.run("a", good), run)[1].remarks
    )
    (run / "measures.csv").write_text("all well")
    status, release = status_of(lab, lab.run("c", good), run)
    assert status is Status.COVERED
    (told,) = [text for text in release.remarks if "in doubt" in text]
    assert told.startswith("run b: in doubt, its passes do not count: measures.csv: altered: SHA-")


def test_an_altered_input_shows_without_a_manifest_too(lab, good) -> None:
    run = lab.run("a", good, sealed=False)
    assert status_of(lab, run)[0] is Status.COVERED
    (run / "inputs" / "test_pump.py").write_text("assert True\n")
    status, release = status_of(lab, run)
    assert status is Status.UNDECIDED
    assert (
        "inputs/test_pump.py is not what the record says: altered"
        in (release.assessments[0].reasons[0])
    )
    (run / "inputs" / "test_pump.py").unlink()
    assert "is missing" in status_of(lab, run)[1].assessments[0].reasons[0]


def test_an_interrupted_run_counts_for_what_it_judged_and_is_told(lab, good) -> None:
    run = lab.run("a", good, ended=False)
    status, release = status_of(lab, run)
    assert status is Status.COVERED
    assert "run a: the run did not come to its end" in release.remarks
    assert any("no manifest" in text for text in release.remarks)


def test_a_planned_item_without_a_result_anywhere_keeps_it_from_being_qualified(lab, good) -> None:
    run = lab.run("a", good, ended=False, planned=["lost"])
    release = status_of(lab, run)[1]
    assert release.outcome == "NOT qualified"
    assert release.blocks == ("1 planned item left no result in any run (lost)",)
    again = lab.run("b", good, lab.item("lost", lab.judged(), marks=["R-1"]))
    assert status_of(lab, run, again)[1].outcome == "qualified"


def test_a_line_that_was_cut_short_is_told(lab, good) -> None:
    run = lab.run("a", good, ended=False)
    with (run / "record.jsonl").open("ab") as file:
        file.write(b'{"kind":"item"')
    assert any("its last line was cut short" in text for text in status_of(lab, run)[1].remarks)


def test_thinned_traces_are_told_and_no_doubt(lab, good) -> None:
    import hashlib
    import json

    from hil.store.manifest import write_manifest

    run = lab.run("a", good)
    (run / "traces" / "x.1.parquet").write_bytes(b"PAR1")
    write_manifest(run, "2026-03-01T23:00:00.000Z")
    (run / "traces" / "x.1.parquet").unlink()
    old = hashlib.sha256(b"PAR1").hexdigest()
    line = {"file": "traces/x.1.parquet", "old": old, "new": None, "utc": "", "rule": ""}
    (run / "thinned.jsonl").write_text(json.dumps(line) + "\n")
    facts = look_at(run, {})
    assert facts.doubts == ()
    assert facts.remarks == ("1 traces of passing items were thinned",)


def test_an_unreadable_record_is_refused_with_its_line(lab, good) -> None:
    run = lab.run("a", good)
    lines = (run / "record.jsonl").read_text().splitlines(keepends=True)
    (run / "record.jsonl").write_text("".join([*lines[:2], "nonsense\n", *lines[2:]]))
    with pytest.raises(StoreError, match=r"a/record\.jsonl:3: not a record entry"):
        status_of(lab, run)


# -- resumed runs ------------------------------------------------------------------------------


def resumed(lab, first, again, *, revision="B1", operator="B. Night"):
    """A run that was interrupted at the item `x` and gone on with."""
    from hil.core.record import Identity, Resumed
    from hil.store.folder import RunFolder
    from hil.store.manifest import write_manifest

    run = lab.run("a", first, ended=False)
    board = Identity(role="board", model="DRIVE", serial="S-7", revision=revision)
    with RunFolder.reopen(run) as folder:
        utc = "2026-03-01T23:00:00.000Z"
        part = Resumed(
            utc=utc, number=1, bench="bench", kept=0, again=("x",), identities=(board,),
            operator=operator, environment={"ambient": "19 degC"},
        )  # fmt: skip
        folder.append(part)
        folder.append(ItemStart(item="x", utc=utc, position=1, of=1))
        folder.append(again)
        folder.append(RunEnd(utc=utc, reason="completed", counts={}, identities=(board,)))
    write_manifest(run, utc)
    return run


def cut_short(lab, *judgements):
    reason = "bench: interrupted: Ctrl-C"
    return lab.item("x", *judgements, marks=["R-1"], verdict=Verdict.BENCH_FAULT, reason=reason)


def test_a_resumed_run_is_told_with_everyone_who_ran_it(lab, good) -> None:
    run = resumed(lab, cut_short(lab), good)
    status, release = status_of(lab, run)
    assert status is Status.COVERED
    assert release.runs[0].operators == "A. Bench, B. Night"
    assert release.runs[0].environments == ("ambient 22 degC", "ambient 19 degC")
    told = "run a: interrupted, and gone on with at 2026-03-01T23:00:00.000Z; 0 verdicts stood"
    assert told in release.remarks


def test_a_fail_before_the_interruption_is_not_taken_away(lab, good) -> None:
    run = resumed(lab, cut_short(lab, lab.judged("t", Verdict.FAIL)), good)
    status, release = status_of(lab, run)
    assert status is Status.FAILED
    assert "t 4 s is outside its band" in release.assessments[0].reasons[0]
    other = "  - {id: R-1, text: It starts., verified-by: [{items: x, measures: [success]}]}\n"
    release = lab.release(lab.requirements(other), run)
    assert release.assessments[0].status is Status.COVERED
    assert release.blocks == ("1 fail outside every requirement (x)",)


def test_another_firmware_after_the_interruption_is_refused(lab, good) -> None:
    run = resumed(lab, cut_short(lab), good, revision="B2")
    with pytest.raises(StoreError, match="DRIVE S-7 B2 after an interruption"):
        status_of(lab, run)
