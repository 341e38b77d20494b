"""Trouble with the bench: a clear cause in one line, supply off, record whole, blame where due.

Each case runs a plan of two items on a simulated bench that goes wrong.
"""

import re
from functools import partial
from types import SimpleNamespace

import pytest

from hil.bench import simulate
from hil.core.verdict import Verdict
from hil.store.traces import read_trace
from hil.twin.variation import Change, Variation

TWO = """
  - id: first
    scenario: start
    speed: 1000 rpm
    hold: 2 s
    within: 2 s
    bands: {success: {exactly: 1}, steady-error: {min: -5 %, max: 5 %}}
  - id: second
    scenario: start
    speed: 1000 rpm
    hold: 0.2 s
    within: 2 s
    bands: {success: {exactly: 1}}
"""
#: Whichever is due first: missing telemetry, or a sign of life that is not answered.
SILENT = r"no telemetry for 0\.5|no answer to 'identify' within 0\.5 s"
MID = 1.2  # s after power-up of the simulated bench: the shaft turns


def check(lab, result, *, verdict: Verdict, reason: str, rest: Verdict | None = None) -> None:
    """The first item has `verdict` for `reason`; the record is whole; every supply is off."""
    assert result.ret == pytest.ExitCode.TESTS_FAILED
    record = lab.record
    first, second = record.results
    assert first.verdict is verdict
    assert reason in first.reason or re.search(reason, first.reason)
    assert "\n" not in first.reason
    assert len(first.reason) < 330
    assert second.verdict is (rest or verdict)
    assert record.interrupted == ()
    assert not record.unfinished
    assert record.end.reason == "completed"
    assert not any(lab.left_on)
    text = result.stdout.str()
    assert "Traceback" not in text
    assert first.reason in text
    for name in ("junit.xml", "report.html", "measures.csv"):
        assert (lab.folders[-1] / name).stat().st_size > 0


def bench_fault(lab, reason: str, rest: Verdict = Verdict.BENCH_FAULT) -> None:
    result = lab.run(lab.plan(TWO))
    check(lab, result, verdict=Verdict.BENCH_FAULT, reason=reason, rest=rest)


# -- before anything moves ----------------------------------------------------------------


def test_no_such_port(lab) -> None:
    result = lab.run(
        lab.plan(TWO), "--hil-board=/dev/ttyUSB99",
        "--hil-supply=TCPIP::127.0.0.1::1::SOCKET", bench="hardware",
    )  # fmt: skip
    # hardware is looked at before the first item, and the supply comes first
    assert result.ret == 10
    first, second = lab.record.results
    for left in (first, second):
        assert left.verdict is Verdict.NOT_RUN
        assert left.reason.startswith("supply at TCPIP::127.0.0.1::1")
    assert lab.record.end.reason.startswith("refused: supply at TCPIP::127.0.0.1::1")
    result.assert_outcomes()
    result.stdout.fnmatch_lines(
        [
            "2 not-run",
            "board*supply*of rig dosing-pump cannot be opened: the bench is at fault, not the *",
            "  supply at TCPIP::127.0.0.1::1*",
            "  board port /dev/ttyUSB99: not there*",
            "not-run: first, second",
            "!* nothing was run: rig dosing-pump cannot be opened, as told above !*",
        ]
    )
    assert result.stdout.str().count("/dev/ttyUSB99: not there") == 1  # told once
    # who named the port wants to know of it too, whatever comes first
    assert "; board port /dev/ttyUSB99: not there; " in first.reason
    assert first.reason.count("supply at") == 1


def test_no_such_port_without_preflight(lab) -> None:
    result = lab.run(
        lab.plan(TWO), "--hil-board=/dev/ttyUSB99", "--hil-preflight=off",
        "--hil-supply=TCPIP::127.0.0.1::1::SOCKET", bench="hardware",
    )  # fmt: skip
    check(
        lab, result, verdict=Verdict.BENCH_FAULT, reason="bench: supply at TCPIP::127.0.0.1::1",
        rest=Verdict.NOT_RUN,
    )  # fmt: skip
    result.assert_outcomes(failed=1, skipped=1)
    result.stdout.fnmatch_lines(["t.plan.yaml Bn*", "1 bench-fault, 1 not-run"])


def test_wrong_board(lab) -> None:
    rig = lab.rig("board: {expect-model: OTHER-DRIVE}\n")
    result = lab.run(lab.plan(TWO, rig=rig))
    check(
        lab, result, verdict=Verdict.BENCH_FAULT, rest=Verdict.NOT_RUN,
        reason="it says 'DOSING-DRIVE', the rig file expects 'OTHER-DRIVE'",
    )  # fmt: skip


def test_wrong_instrument(lab) -> None:
    lab.prepare = lambda world: setattr(lab.instrument(world, "supply"), "identity", "")
    result = lab.run(lab.plan(TWO))
    check(lab, result, verdict=Verdict.BENCH_FAULT, rest=Verdict.NOT_RUN, reason="'*IDN?'")


def test_a_silent_board(lab) -> None:
    lab.prepare = lambda world: setattr(world, "board_silent", True)
    bench_fault(lab, "no answer to 'identify' within 0.5 s", Verdict.NOT_RUN)


def test_garbage_on_the_line(lab) -> None:
    def garble(world) -> None:
        noise = bytes(range(128, 256))
        world.receive = lambda size=65536: noise[:size]
        world.waiting = lambda: len(noise)

    lab.prepare = garble
    bench_fault(lab, "no frame decodes: baud rate (230400) or profile", Verdict.NOT_RUN)


def flip_bits(world) -> None:
    """From now on every frame from the board has a wrong bit."""
    world.disturb_board(10)


def test_frames_with_a_wrong_checksum(lab) -> None:
    lab.prepare = flip_bits
    bench_fault(lab, "bytes arrived but no frame decodes", Verdict.NOT_RUN)


def test_a_supply_that_cannot_be_reached(lab) -> None:
    lab.prepare = lambda world: world.unplug_instrument(
        next(r for r, i in world.instruments.items() if i.role == "supply")
    )
    bench_fault(lab, "supply at TCPIP::127.0.0.1::5025::SOCKET", Verdict.NOT_RUN)


def test_a_supply_that_does_not_answer(lab) -> None:
    lab.prepare = lambda world: setattr(lab.instrument(world, "supply"), "silent", True)
    bench_fault(lab, "supply at TCPIP::127.0.0.1::5025::SOCKET", Verdict.NOT_RUN)


def test_a_supply_that_refuses_a_value_is_quoted(lab, monkeypatch) -> None:
    weak = Variation("weak supply", (Change("supply.current", 5.0),))
    monkeypatch.setattr(simulate, "twin_access", partial(simulate.twin_access, variation=weak))
    result = lab.run(lab.plan(TWO))
    check(
        lab, result, verdict=Verdict.BENCH_FAULT,
        reason="current limit set to 10 A reads back 0 A; the instrument says -222",
    )  # fmt: skip


def test_an_output_that_stays_off(lab) -> None:
    lab.prepare = lambda world: setattr(lab.instrument(world, "supply"), "stuck_off", True)
    bench_fault(lab, "output switched on but reads back off")


def test_a_supply_that_does_not_reach_its_voltage(lab) -> None:
    def weak(world) -> None:
        supply = lab.instrument(world, "supply")
        supply._voltmeter = SimpleNamespace(read=lambda _volts: 11.9)

    lab.prepare = weak
    bench_fault(lab, "supply output did not settle: measured 11.900 V")


def short(ohms: float):
    """Put that much across the DC link."""

    def across(world) -> None:
        world.drive._constants["bleeder"] = ohms

    return across


@pytest.mark.parametrize("abort", ["15 A", "8 A"], ids=["above", "below the current limit"])
@pytest.mark.parametrize("ohms", [0.01, 1.0])
def test_a_short_is_no_fault_of_firmware_that_was_asked_nothing(lab, ohms: float, abort: str):
    lab.prepare = short(ohms)
    rig = lab.rig(f"limits: {{current: {abort}}}\n")
    result = lab.run(lab.plan(TWO, rig=rig))
    check(
        lab, result, verdict=Verdict.BENCH_FAULT, rest=Verdict.NOT_RUN,
        reason=r"bench: overload at output-on: .* of 24 V .*\(current limit 10 A.*Look at polarity",
    )  # fmt: skip
    assert lab.record.results[1].reason.startswith("overload at output-on")


def test_an_inrush_above_the_abort_limit_is_no_fault_of_anybody(lab) -> None:
    rig = lab.rig(
        "supply: {current-limit: 20 A, settle-time: 4 s}\nlimits: {current: 14 A}\n"
        "regeneration: {dc-link-capacitance: 100000 uF}\n"
    )
    result = lab.run(lab.plan(TWO, rig=rig))
    assert result.ret == pytest.ExitCode.OK
    (trace,) = lab.record.results[0].traces
    inrush = read_trace(lab.folders[-1] / "traces" / trace).channels["supply.current"]
    assert inrush.y[inrush.t < 0.1].max() > 14.0


# -- in mid-scenario ----------------------------------------------------------------------


def test_an_unplugged_board(lab) -> None:
    lab.strike(MID, lambda world: world.unplug_board())
    bench_fault(lab, "reading failed, is it unplugged?", Verdict.PASS)
    assert len(lab.record.results[0].traces) == 1
    assert len(lab.worlds) == 2  # the next item got a bench of its own


def test_a_board_that_falls_silent(lab) -> None:
    lab.strike(MID, lambda world: setattr(world, "board_silent", True))
    bench_fault(lab, SILENT, Verdict.PASS)


def test_a_line_that_goes_bad(lab) -> None:
    lab.strike(MID, flip_bits)
    bench_fault(lab, r"pieces of data did not decode|no frame decodes", Verdict.PASS)


@pytest.mark.parametrize(
    ("struck", "what", "at"),
    [
        ("VOLT:PROT 20", "over-voltage", "protection at 46 V"),
        ("CURR:PROT 0;:CURR:PROT:DEL 0;STAT ON", "over-current", "current limit 10 A"),
    ],
)
def test_a_supply_that_trips(lab, struck: str, what: str, at: str) -> None:
    lab.strike(MID, lambda world: lab.instrument(world, "supply").execute(struck))
    bench_fault(lab, f"bench: the supply's {what} protection tripped by ", Verdict.PASS)
    reason = lab.record.results[0].reason
    assert f" (set to 24 V, {at})" in reason


def test_a_supply_that_vanishes(lab) -> None:
    def vanish(world) -> None:
        world.unplug_instrument(next(r for r, i in world.instruments.items() if i.role == "supply"))

    lab.strike(MID, vanish)
    result = lab.run(lab.plan(TWO))
    assert result.ret == pytest.ExitCode.TESTS_FAILED
    first = lab.record.results[0]
    assert first.verdict is Verdict.BENCH_FAULT
    assert "supply at TCPIP" in first.reason
    # It cannot be switched off, and that must be impossible to overlook.
    assert "the supply is not proven off" in lab.record.unsafe[0]
    result.stdout.fnmatch_lines(["CHECK THE BENCH: the supply is not proven off*"])


def test_a_tachometer_that_vanishes(lab) -> None:
    lab.strike(MID, lambda world: world.unplug_instrument("TCPIP::127.0.0.1::5026::SOCKET"))
    bench_fault(lab, "tachometer at TCPIP::127.0.0.1::5026::SOCKET", Verdict.PASS)


def test_a_brake_that_vanishes_does_not_keep_the_supply_on(lab) -> None:
    lab.strike(MID, lambda world: world.unplug_instrument("TCPIP::127.0.0.1::5027::SOCKET"))
    bench_fault(lab, "brake at TCPIP::127.0.0.1::5027::SOCKET", Verdict.PASS)


# -- the firmware's own doing -------------------------------------------------------------


def test_an_abort_limit(lab) -> None:
    rig = lab.rig(
        "motor: {rated-speed: 1000 rpm, max-speed: 1000 rpm}\nlimits: {speed: 1001 rpm}\n"
    )
    result = lab.run(lab.plan(TWO, rig=rig))
    check(lab, result, verdict=Verdict.FAIL, reason="above the abort limit of 1001 rpm")
    assert lab.record.results[0].reason.startswith("firmware: ")


def test_a_board_that_faults_at_once(lab) -> None:
    """A Hall line is broken: with Hall sensing the drive cannot even start."""
    lab.prepare = lambda world: world.drive.set_line("hall-a", False)
    name = lab.plan(TWO.replace("id: first", "id: first\n    matrix: {sensing: [hall]}"))
    result = lab.run(name)
    assert result.ret == pytest.ExitCode.TESTS_FAILED
    first = lab.record.results[0]
    assert first.verdict is Verdict.FAIL, first.reason
    assert not any(lab.left_on)


def test_an_unsafe_reversal_is_refused_and_the_rest_is_run(lab) -> None:
    rig = lab.rig("limits: {dc-link-voltage: 25 V}\nsupply: {max-voltage: 24 V}\n")
    plan = TWO.replace(
        "scenario: start\n    speed: 1000 rpm\n    hold: 2 s",
        "scenario: reversal\n    entry-speed: 2000 rpm\n    speed: 1000 rpm\n    hold: 2 s",
    )
    result = lab.run(lab.plan(plan.replace(", steady-error: {min: -5 %, max: 5 %}", ""), rig=rig))
    check(
        lab, result, verdict=Verdict.BENCH_FAULT, rest=Verdict.PASS,
        reason="reversal from 2000 rpm refused",
    )  # fmt: skip
    log = (lab.folders[-1] / "serial" / "first.log").read_text()
    assert "start," not in log


# -- Python scenarios ---------------------------------------------------------------------


def test_python_scenarios_after_a_bench_that_cannot_be_opened(lab) -> None:
    rig = lab.rig("board: {expect-model: OTHER-DRIVE}\n")
    lab.pytester.makepyfile(
        test_two="def test_one(hil_script): pass\n\ndef test_two(hil_script): pass\n"
    )
    result = lab.run(f"--hil-rig={rig}")
    result.assert_outcomes(errors=1, skipped=1)
    verdicts = [(r.item, r.verdict) for r in lab.record.results]
    assert verdicts == [
        ("test_two.test_one", Verdict.BENCH_FAULT),
        ("test_two.test_two", Verdict.NOT_RUN),
    ]
    assert lab.record.results[0].reason.startswith("bench: wrong board")
