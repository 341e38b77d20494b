"""The user's own firmware from rig file to verdict: compiled, loaded, run, and blamed."""

from __future__ import annotations

from pathlib import Path

import pytest

from hil.bench.assemble import assemble
from hil.bench.open import open_parts
from hil.bench.simulate import twin_access, world_for
from hil.bench.simulated_firmware import check_firmware, compiled
from hil.core.errors import FirmwareError, PlanError
from hil.plan.load import load_rig
from hil.scenarios.steps import Steps
from hil.twin import library
from hil.twin.variation import Change, Variation

SHIPPED = Path(__file__).parents[2] / "testplans" / "rigs"


@pytest.fixture
def rig_of(firmware_c, tmp_path):
    """``rig_of(period=...)``: the demo rig with a tiny firmware; ``extra`` goes below sources."""

    def make(extra="", **bodies):
        source = firmware_c(**bodies)
        file = tmp_path / "rig.yaml"
        file.write_text(
            f"based-on: {SHIPPED / 'dosing-pump.yaml'}\nrig: tiny\ntwin:\n  firmware:\n"
            f"    kind: sources\n    sources:\n      files: [{source}]\n      flags: [-O0, -w]\n"
            + extra
        )
        return load_rig(file)

    return make


@pytest.fixture
def opened(rig_of):
    """``opened(period=...)``: an opened simulated bench with a tiny firmware."""
    benches = []

    def make(**bodies):
        rig = rig_of(**bodies)
        access = twin_access(rig, "1")
        bench = assemble(rig, open_parts(rig, access, {}), access.clock, None, access.poll)
        benches.append(bench)
        return bench

    yield make
    for bench in benches:
        bench.close()


def test_the_bench_runs_it(opened):
    bench = opened()
    assert bench.identities()[0].model == "DOSING-DRIVE"
    bench.begin_trace()
    bench.energise(24.0)
    bench.board.stream(True)
    bench.board.start(1000.0)
    bench.watch.expect(None)
    bench.wait(0.1)
    assert bench.latest.witness_speed > 100.0


def test_a_crash_ends_the_wait_with_everything_recorded(opened):
    bench = opened(period="if (now >= 0.5) abort();")
    bench.begin_trace()
    bench.energise(24.0)
    bench.board.stream(True)
    start = bench.trace_start
    with pytest.raises(
        FirmwareError, match=r"port_period crashed with SIGABRT .* at 0\.5000\d\d s"
    ):
        bench.wait(2.0)
    trace = bench.trace()
    assert trace.channels["reported.voltage"].t[-1] + start == pytest.approx(0.5, abs=0.02)
    assert trace.channels["witness.speed"].t[-1] + start >= 0.5
    bench.clock.sleep(0.1)  # told once: the bench can be made safe and go on
    assert bench.make_safe() == []
    assert not bench.energised


def test_a_crash_on_a_command_is_told_by_the_wait_for_its_answer(opened):
    bench = opened(start="abort();")
    bench.begin_trace()
    bench.energise(24.0)
    bench.board.stream(True)
    bench.clock.sleep(0.02)
    with pytest.raises(FirmwareError, match="port_receive crashed with SIGABRT"):
        bench.board.start(1000.0)
    bench.make_safe()
    bench.take_rest()
    assert len(bench.trace().channels["reported.voltage"])


def test_nonsense_at_the_gates_ends_the_wait(opened):
    bench = opened(period="if (now >= 0.5) { o->drive[0] = LEG_SYNC; o->duty[0] = NAN; }")
    bench.begin_trace()
    with pytest.raises(FirmwareError, match="duty nan on leg A"):
        bench.wait(2.0)


@pytest.mark.parametrize(
    ("bodies", "text"),
    [
        (
            {"id": "return;"},
            r"no answer to 'identify' within 0\.5 s; its serial port received \d+ bytes and sent "
            r"none\. No cable is in between on a simulated board: firmware drops without a word ",
        ),
        ({"id": "abort();"}, "port_receive crashed with SIGABRT"),
        ({"reset": "abort();"}, "port_reset crashed with SIGABRT"),
        ({"version": "abort();"}, "crashed with SIGABRT .* while it was loaded"),
    ],
)
def test_firmware_that_fails_before_it_has_said_who_it_is(opened, bodies, text):
    with pytest.raises(FirmwareError, match=rf"^tiny: .*{text}|^tiny: {text}"):
        opened(**bodies)


@pytest.mark.parametrize(
    ("bodies", "text"),
    [
        (
            {"start": "return;"},
            r"no answer to 'start' within 0\.5 s; its serial port received \d+ bytes and sent "
            r"\d+\. No cable",
        ),
        (
            {"period": "if (go) for (unsigned k = first; k != end; k++) out[k % 4096] |= 0x80;"},
            r"no answer to 'start' within .* sent \d+; what came since it was asked does not",
        ),
    ],
)
def test_a_command_that_it_leaves_unanswered_is_its_own_doing(opened, bodies, text):
    bench = opened(**bodies)
    with pytest.raises(FirmwareError, match=rf"^tiny: {text}"):
        bench.board.start(1000.0)


def test_telemetry_that_it_does_not_send_is_its_own_doing(opened):
    bench = opened(period="every = 0;")
    steps = Steps(bench)
    steps.begin_trace()
    steps.supply(24.0)
    with pytest.raises(
        FirmwareError, match=r"^tiny: no telemetry within 1\.5 s of when it was due"
    ):
        steps.ready("hall")


def test_it_can_run_in_this_process(rig_of):
    world = world_for(rig_of("    isolate: false\n"), 1)
    assert not hasattr(world.drive.firmware, "host")
    world.advance(0.01)
    world.close()


def test_a_varied_macro_is_another_firmware(rig_of):
    rig = rig_of("      defines: {START: 1}\n", top="#ifdef SLOW\n#error too slow\n#endif")
    plain = compiled(rig)
    assert compiled(rig) == plain
    other = Variation("other", (Change("firmware.defines.START", 2),))
    assert compiled(rig, other) != plain
    with pytest.raises(PlanError, match="too slow"):
        compiled(rig, Variation("slow", (Change("firmware.defines.SLOW", 1),)))


def test_a_changed_source_is_compiled_anew(rig_of, firmware_c):
    rig = rig_of()
    before = compiled(rig)
    firmware_c(period="go = 0; /* another */ ticks += 0;")
    assert compiled(rig) != before


def test_what_the_compiler_prints_comes_with_rig_file_and_field(rig_of):
    rig = rig_of(period="no_such_thing = 1;")
    with pytest.raises(PlanError) as caught:
        check_firmware(rig)
    first, *rest = str(caught.value).splitlines()
    assert "rig.yaml:6:5: twin.firmware.sources: firmware does not compile (main.c):" in first
    assert any("main.c:" in line and "error:" in line for line in rest)


@pytest.mark.parametrize(
    ("bodies", "text"),
    [
        ({"version": "return 2;"}, "built for port version 2, expected 1"),
        ({"end": "#define X\nint other(void) { extern int gone(void); return gone(); }"}, "gone"),
    ],
)
def test_a_library_that_does_not_fit_is_told_before_a_run(rig_of, bodies, text):
    with pytest.raises(PlanError, match=rf"rig.yaml:6:5: twin\.firmware\.sources: .*{text}"):
        check_firmware(rig_of(**bodies))


def test_a_missing_compiler_is_told_with_the_field(rig_of, monkeypatch):
    rig = rig_of(period="/* never compiled before */ ticks += 0 * 7919;")
    monkeypatch.setenv("PATH", "")
    monkeypatch.delenv("CC", raising=False)
    with pytest.raises(PlanError, match=r"twin\.firmware\.sources: .*need a C compiler"):
        check_firmware(rig)


def test_a_library_without_the_functions(tmp_path, firmware_c):
    source = firmware_c()
    source.write_text("int nothing;\n")
    built = library.build([source], folder=tmp_path)
    file = tmp_path / "rig.yaml"
    file.write_text(
        f"based-on: {SHIPPED / 'dosing-pump.yaml'}\nrig: tiny\ntwin:\n  firmware:\n"
        f"    kind: library\n    library: {{path: {built.name}}}\n"
    )
    with pytest.raises(PlanError, match="lacks port_version, port_reset, port_period"):
        check_firmware(load_rig(file))


def test_a_crash_while_loading_is_left_to_the_first_item(rig_of):
    check_firmware(rig_of(version="abort();"))


def test_the_reference_firmware_needs_no_check():
    check_firmware(load_rig(SHIPPED / "dosing-pump.yaml"))
