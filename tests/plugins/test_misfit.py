"""Sessions with a link profile that does not fit the firmware: told as such, with what shows it."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from hil.core.verdict import Verdict
from hil.twin import library

TESTPLANS = Path(__file__).parents[2] / "testplans"
PROFILE = TESTPLANS / "profiles" / "dosing-lines.profile.yaml"
TEMPERATURE = (
    "      - {name: temperature, type: number, channel: reported.temperature, unit: 0.1 degC}\n"
)
#: What is wrong in the profile -> verdict, and what the reason says.
MISFITS = {
    "state": (
        (", 3: run", ""),
        Verdict.UNDECIDED,
        r"success: missing data, no samples of reported\.state from \S+ s to \S+ s; .*; firmware "
        r"and profile disagree: state: unknown code 3, the profile knows 0, 1, 2, 4, 5 \(pump\.",
    ),
    "time": (
        ("role: board-time, unit: us", "role: board-time, unit: ms"),
        Verdict.UNDECIDED,
        r"success: missing data, .*; board time runs (99|100)\d times as fast as the host's: unit "
        r"of field 'time' in pump\.profile\.yaml, or firmware\?$",
    ),
    "fields": (
        (TEMPERATURE, ""),
        Verdict.BENCH_FAULT,
        r"bench: no telemetry within 1\.5 s .*; firmware and profile disagree: telemetry: 10 "
        r"fields, expected 9 \(pump\.profile\.yaml\)$",
    ),
    "voltage": (
        ("unit: mV", "unit: 10 mV"),
        Verdict.FAIL,
        r"firmware or link profile: reported\.voltage reached 24\d V, .*; reported\.voltage is "
        r"(9\.9\d|10\.\d) times what the supply measures: scale in pump\.profile\.yaml, or ",
    ),
    "sign": (
        ("channel: reported.speed, unit: rpm", "channel: reported.speed, unit: -1 rpm"),
        Verdict.FAIL,
        r"firmware or link profile: the firmware reports -\d+ rpm while the shaft turns the other "
        r"way, .*; reported\.speed is -\S+ times what the tachometer shows: sign in pump\.",
    ),
    "electrical": (
        ("channel: reported.speed, unit: rpm", "channel: reported.speed, unit: 4 rpm"),
        Verdict.FAIL,
        r"firmware or link profile: .*; reported\.speed is (3\.[89]|4\.[01])\d times what the "
        r"tachometer shows, and the rig file has 4 pole pairs: an electrical speed, by its unit ",
    ),
    "identity": (
        ("identity:\n    key: id", "identity:\n    key: im"),
        Verdict.BENCH_FAULT,
        r"bench: board on \S+: no answer to 'identify' .*; unmatched: 'id,DOSING-DRIVE.*' "
        r"\(3 times\)$",
    ),
}


def rig_with(lab, old: str, new: str, more: str = "") -> Path:
    text = PROFILE.read_text()
    assert old in text
    (lab.path / "pump.profile.yaml").write_text(text.replace(old, new))
    rig: Path = lab.rig(f"board: {{profile: pump.profile.yaml}}\n{more}")
    return rig


@pytest.mark.parametrize("wrong", MISFITS)
def test_a_profile_that_does_not_fit_is_named(lab, wrong: str) -> None:
    (old, new), verdict, reason = MISFITS[wrong]
    lab.run(lab.plan(rig=rig_with(lab, old, new)))
    assert lab.result.verdict is verdict
    assert re.match(reason, lab.result.reason), lab.result.reason


def test_a_scale_that_no_band_minds_is_noted_beside_a_pass(lab) -> None:
    done = lab.run(lab.plan(rig=rig_with(lab, "unit: mV", "unit: 0.1 mV")))
    assert lab.result.verdict is Verdict.PASS
    done.stdout.fnmatch_lines("noted: s: reported.voltage is 0.100 times what the supply *")
    assert any(
        note.item == "s" and note.text.startswith("reported.voltage is 0.100 times what the supply")
        for note in lab.record.notes
    )


def test_the_profile_that_fits_is_not_doubted(lab) -> None:
    lab.run(lab.plan(rig=rig_with(lab, "unit: mV", "unit: 1 mV")))
    assert lab.result.verdict is Verdict.PASS
    assert not any("profile" in note.text for note in lab.record.notes)


def test_scenarios_in_python_tell_it_too(lab) -> None:
    rig = rig_with(lab, *MISFITS["sign"][0])
    script = """
import pytest

pytestmark = pytest.mark.hil(rig={rig!r})


def test_sign(hil_script):
    hil_script.prepare(voltage=24.0)
    hil_script.start(1000.0)


def test_reach(hil_script):
    hil_script.prepare(voltage=15.0)
    measured = hil_script.start(4000.0, within=0.5, hold=0.1)
    hil_script.judge(measured["success"], low=1.0)
"""
    (lab.path / "test_pump.py").write_text(script.format(rig=str(rig)), encoding="utf-8")
    lab.run("test_pump.py")
    sign, reach = lab.record.results
    assert sign.verdict is reach.verdict is Verdict.FAIL
    assert re.match(MISFITS["sign"][2], sign.reason), sign.reason
    assert reach.reason.startswith("firmware or test and rig file: success 0, ")
    assert "; 4000 rpm is out of reach at 15 V: " in reach.reason
    assert any("4000 rpm is out of reach at 15 V" in step for step in reach.steps)


@pytest.mark.parametrize(
    ("wrong", "reason"),
    [
        (
            "identity",
            r"firmware or link profile: \S+: no answer to 'identify' within 0\.5 s; its serial "
            r"port received \d+ bytes and sent \d+; unmatched: 'id,\S.*' \(3 times\)\. No cable ",
        ),
        (
            "fields",
            r"firmware or link profile: \S+: no telemetry within 1\.5 s .*; firmware and profile "
            r"disagree: telemetry: 10 fields, expected 9 ",
        ),
    ],
)
def test_own_firmware_is_not_blamed_alone(lab, wrong: str, reason: str) -> None:
    if library.compiler() is None:
        pytest.skip("no C compiler on this machine")
    sources = TESTPLANS / "firmware" / "dosing_drive" / "*.c"
    own = f"twin: {{firmware: {{kind: sources, sources: {{files: ['{sources}']}}}}}}\n"
    lab.run(lab.plan(rig=rig_with(lab, *MISFITS[wrong][0], own)))
    assert lab.result.verdict is Verdict.FAIL
    assert re.match(reason, lab.result.reason), lab.result.reason
