"""``hil check``: what it says of a rig, and that it energises nothing."""

import json
import re
from functools import partial
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from hil.bench import simulate
from hil.cli.check import check
from hil.twin.variation import Change, Variation

RIG = Path(__file__).parents[2] / "testplans" / "rigs" / "dosing-pump.yaml"


def run(*args: str) -> Result:
    return CliRunner().invoke(check, [str(arg) for arg in args])


def changed(folder: Path, text: str) -> Path:
    file = folder / "changed.yaml"
    file.write_text(f"based-on: {RIG}\nrig: changed\n{text}", encoding="utf-8")
    return file


def calibrated(folder: Path) -> Path:
    """The rig with instruments that are not overdue, on whatever day this is run."""
    due = "{calibration-due: 9999-12-31}"
    return changed(folder, f"supply: {due}\ntachometer: {due}\n")


def test_a_good_rig_on_the_simulated_bench(tmp_path: Path) -> None:
    result = run(calibrated(tmp_path), "--twin")
    assert result.exit_code == 0, result.output
    lines = result.output.splitlines()
    assert lines[0] == "SIMULATED bench: this says nothing about any real one."
    for what in ("rig file", "regeneration", "board", "supply", "tachometer", "supply limits"):
        assert [line for line in lines if line.startswith("OK") and line.endswith(what)], what
    assert "hard-wired emergency stop" in result.output.replace("\n", " ")


def test_what_is_printed_fits_eighty_columns() -> None:
    long = [line for line in run(RIG, "--twin").output.splitlines() if len(line) > 80]
    assert long == []


def test_every_part_that_does_not_answer_is_named(tmp_path: Path) -> None:
    nowhere = [f"--{role}=TCPIP::127.0.0.1::1::SOCKET" for role in ("supply", "tachometer")]
    facts = tmp_path / "facts.json"
    result = run(RIG, "--board=/dev/ttyUSB99", *nowhere, "--json", facts)
    assert result.exit_code == 3
    failed = [fact for fact in json.loads(facts.read_text()) if fact["grade"] == "failed"]
    assert {"bench, board", "bench, supply", "bench, tachometer"} <= {f["what"] for f in failed}
    told = {fact["what"]: fact["detail"] for fact in failed}
    assert "/dev/ttyUSB99" in told["bench, board"]
    assert "tachometer at TCPIP::127.0.0.1::1::SOCKET" in told["bench, tachometer"]


def test_a_driver_that_does_not_exist_fails_with_the_nearest_that_does(tmp_path: Path) -> None:
    result = run(changed(tmp_path, "tachometer: {driver: countr}\n"), "--twin")
    assert result.exit_code == 3
    said = " ".join(result.output.split())
    assert "FAILED driver tachometer.countr tachometer.driver: there is no driver 'countr'" in said
    assert "did you mean 'counter'?" in said


def test_how_much_of_the_line_telemetry_takes_is_said(tmp_path: Path) -> None:
    said = " ".join(run(RIG, "--twin").output.split())
    assert re.search(
        r"OK turnaround the board answered within [0-9.]+ ms besides the time on", said
    )
    assert "OK serial line telemetry takes about 58 % of it: 200 frames/s of about 67 bytes" in said
    shipped = (RIG.parents[1] / "profiles" / "dosing-lines.profile.yaml").read_text()
    slow = tmp_path / "slow.profile.yaml"
    slow.write_text(shipped.replace("baud: 230400", "baud: 115200"))
    said = " ".join(
        run(changed(tmp_path, f"board: {{profile: {slow}}}\n"), "--twin").output.split()
    )
    assert (
        "WARNING serial line telemetry: 200 frames/s of about 67 bytes are 134000 bit/s with 10 "
        "bits a byte, more than the 115200 of baud"
    ) in said


def test_missing_hardware_fails_with_its_name_and_code_three() -> None:
    result = run(RIG, "--board=/dev/ttyUSB99", "--supply=TCPIP::127.0.0.1::1::SOCKET")
    assert result.exit_code == 3
    assert "FAILED   bench" in result.output
    assert "supply at TCPIP::127.0.0.1::1::SOCKET" in result.output
    assert "Traceback" not in result.output


@pytest.mark.parametrize(
    ("text", "what"),
    [
        ("board: {expect-model: OTHER}\n", "FAILED   bench"),
        (
            "supply: {max-voltage: 24 V}\nlimits: {dc-link-voltage: 35 V}\n",
            "WARNING  regeneration",
        ),
        ("supply: {calibration-due: 2020-01-01}\n", "WARNING  supply"),
    ],
)
def test_findings_are_graded_and_only_a_failure_changes_the_code(
    tmp_path: Path, text: str, what: str
) -> None:
    result = run(changed(tmp_path, text), "--twin")
    assert what in result.output
    assert result.exit_code == (3 if what.startswith("FAILED") else 0)


def test_a_supply_that_refuses_a_limit_fails(monkeypatch: pytest.MonkeyPatch) -> None:
    weak = Variation("weak supply", (Change("supply.current", 5.0),))
    monkeypatch.setattr(simulate, "twin_access", partial(simulate.twin_access, variation=weak))
    result = run(RIG, "--twin")
    assert result.exit_code == 3
    said = " ".join(result.output.split())
    assert "FAILED supply limits supply at" in said
    assert "current limit set to 10 A reads back 0 A; the instrument says -222" in said


def test_what_the_abort_limit_of_the_current_is_held_against(tmp_path: Path) -> None:
    said = run(RIG, "--twin").output
    assert "15 A of what the board reports; the supply itself stops at 10 A" in said
    below = changed(tmp_path, "limits: {current: 9 A}\n")
    assert "abort current" not in run(below, "--twin").output


def test_the_findings_as_json(tmp_path: Path) -> None:
    file = tmp_path / "findings.json"
    assert run(calibrated(tmp_path), "--twin", "--json", str(file)).exit_code == 0
    facts = json.loads(file.read_text(encoding="utf-8"))
    assert {fact["grade"] for fact in facts} == {"ok"}
    assert {"what", "grade", "detail", "listing"} == set(facts[0])


def test_a_file_that_is_not_there_is_a_usage_error() -> None:
    result = run("nowhere.yaml")
    assert result.exit_code == 2
    assert "nowhere.yaml" in result.output


# -- firmware -----------------------------------------------------------------------------


def with_firmware(folder: Path, source: Path) -> Path:
    return changed(
        folder,
        "twin:\n  firmware:\n    kind: sources\n"
        f"    sources: {{files: [{source}], flags: [-O0, -w]}}\n",
    )


def test_firmware_that_compiles_is_named_with_its_compiler(tmp_path: Path, firmware_c) -> None:
    result = run(with_firmware(tmp_path, firmware_c()), "--twin")
    assert result.exit_code == 0, result.output
    text = " ".join(result.output.split())
    assert "OK firmware" in text
    assert "1 source compiled by " in text


def test_what_the_compiler_says_is_shown_as_it_says_it(tmp_path: Path, firmware_c) -> None:
    rig = with_firmware(tmp_path, firmware_c(top="int broken(void) { return undeclared_name; }"))
    report = tmp_path / "findings.json"
    result = run(rig, "--twin", "--json", report)
    assert result.exit_code == 3
    lines = result.output.splitlines()
    assert "FAILED   firmware" in lines
    said = [line for line in lines if "undeclared_name" in line and "main.c:" in line]
    assert said, result.output
    assert any(line.strip().startswith(("^", "|")) or "^" in line for line in lines)
    assert "FAILED   bench" not in lines  # once is enough
    facts = {fact["what"]: fact for fact in json.loads(report.read_text(encoding="utf-8"))}
    assert said[0] in facts["firmware"]["listing"]


def test_on_hardware_it_is_the_boards_image_that_counts(tmp_path: Path, firmware_c) -> None:
    rig = with_firmware(tmp_path, firmware_c(top="#error not today"))
    result = run(rig, "--board=/dev/ttyUSB99", "--supply=TCPIP::127.0.0.1::1::SOCKET")
    assert "WARNING  firmware" in result.output
    assert "not today" in result.output
    assert "only the simulated bench would run it" in " ".join(result.output.split())
    assert "FAILED   bench" in result.output


def test_a_rig_without_a_brake_says_what_takes_a_person(tmp_path: Path) -> None:
    result = run(changed(tmp_path, "brake: {driver: attended, answer-within: 90 s}\n"), "--twin")
    assert result.exit_code == 0, result.output
    said = " ".join(result.output.split())
    assert "has 90 s to answer (--hil-attended=on)" in said
    assert "(load, saturate, a stall that must not trip) is not run at all" in said


def test_a_rig_without_a_signal_switch_says_what_is_not_run(tmp_path: Path) -> None:
    before, _, after = RIG.read_text(encoding="utf-8").partition("\nswitch:")
    text = before + "\n" + after[after.index("\n\n") :]
    file = tmp_path / "bare.yaml"
    file.write_text(text.replace("../profiles", str(RIG.parents[1] / "profiles")), encoding="utf-8")
    said = " ".join(run(file, "--twin").output.split())
    assert "OK switch none is wired: what opens or closes a line is not run" in said
