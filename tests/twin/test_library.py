"""C firmware: compiled from sources or loaded as it is, a private copy for each board."""

import subprocess
from pathlib import Path

import pytest

from hil.core.errors import PlanError
from hil.twin import library
from hil.twin.drive import Drive
from hil.twin.parameters import DriveParameters

GOOD = """
#include "firmware_port.h"
#ifndef DUTY
#define DUTY 0.5f
#endif
static int calls, resets;
static double hz;
int port_version(void) { return FIRMWARE_PORT_VERSION; }
void port_reset(double pwm_hz) { calls = 0; hz = pwm_hz; }
void port_period(const port_inputs *in, port_outputs *out) {
    static const int8_t high[8] = {-1, 0, 1, 1, 2, 0, 2, -1}, low[8] = {-1, 2, 0, 2, 1, 1, 0, -1};
    int on = high[in->hall & 7], off = low[in->hall & 7];
    calls++;
    for (int leg = 0; leg < 3; leg++) out->drive[leg] = LEG_FLOAT;
    if (on >= 0) {
        out->drive[on] = LEG_SYNC;
        out->duty[on] = DUTY;
        out->drive[off] = LEG_SYNC;
        out->duty[off] = 0;
    }
    if (in->v_bus > 1000.0f) resets++;
}
void port_receive(const uint8_t *bytes, int count) { (void)bytes; resets += count; }
int port_transmit(uint8_t *bytes, int capacity) {
    if (calls != 20 || capacity < 2) return 0;
    bytes[0] = (uint8_t)'h';
    bytes[1] = (uint8_t)(hz / 1000);
    return 2;
}
int port_resets(void) { return resets; }
"""


@pytest.fixture(autouse=True)
def _compiler():
    if library.compiler() is None:
        pytest.skip("no C compiler on this machine")


@pytest.fixture
def source(tmp_path: Path) -> Path:
    path = tmp_path / "firmware.c"
    path.write_text(GOOD)
    return path


def built(source: Path, **options) -> Path:
    return library.build([source], folder=source.parent / "kept", **options)


def test_c_firmware_turns_the_motor(source):
    drive = Drive(DriveParameters(), library.load(built(source)), seed=1)
    drive.set_supply(24.0, 10.0, True)
    drive.advance(0.5)
    assert drive.firmware_fault == ""
    ideal = 0.5 * 24.0 / 0.040 * 60 / 6.2832
    assert 0.9 * ideal < drive.speed_rpm < ideal
    assert drive.drain() == b"h\x14"


def test_each_board_has_its_own_globals(source):
    path = built(source)
    first, second = library.load(path), library.load(path)
    assert first.period != second.period
    board = Drive(DriveParameters(), first, seed=1)
    board.feed(b"12345")
    board.advance(0.01)
    assert first.resets is not None
    assert second.resets is not None
    assert (first.resets(), second.resets()) == (5, 0)


def test_compiled_libraries_are_kept_by_content(source):
    first = built(source)
    stamp = first.stat().st_mtime_ns
    assert built(source) == first
    assert first.stat().st_mtime_ns == stamp
    assert built(source, defines={"DUTY": "0.3f"}) != first
    assert built(source, flags=["-O1"]) != first
    source.write_text(GOOD.replace("0.5f", "0.4f"))
    assert built(source) != first
    assert {one.suffix for one in first.parent.iterdir()} == {".so"}


def test_a_changed_header_counts(source, tmp_path):
    folder = tmp_path / "headers"
    folder.mkdir()
    (folder / "duty.h").write_text("#define DUTY 0.2f\n")
    source.write_text('#include "duty.h"\n' + GOOD)
    first = built(source, include=[folder])
    (folder / "duty.h").write_text("#define DUTY 0.25f\n")
    assert built(source, include=[folder]) != first


def test_compiler_errors_are_shown_as_printed(source):
    source.write_text(GOOD.replace("calls++;", "calls++"))
    with pytest.raises(PlanError, match=r"firmware\.c:\d+:\d+: error: expected"):
        built(source)


def test_sources_in_another_encoding_are_quoted_all_the_same(tmp_path):
    path = tmp_path / "old.c"
    path.write_bytes(b"int f(void) { return ohne; } /* r\xfcckw\xe4rts */\n")
    with pytest.raises(PlanError, match="does not compile"):
        library.build([path], folder=tmp_path / "built")


def test_sources_that_differ_in_bytes_of_another_encoding_are_not_taken_for_one(source, tmp_path):
    kept = []
    for byte in (b"\xe4", b"\xfc"):
        text = GOOD.encode() + b'const char *title = "r' + byte + b'ck";\n'
        source.write_bytes(text)
        kept.append(library.build([source], folder=tmp_path / "built"))
    assert kept[0] != kept[1]


def test_missing_functions_are_named(source):
    source.write_text(GOOD.replace("port_transmit", "transmit").replace("port_reset(", "reset("))
    with pytest.raises(PlanError, match="lacks port_reset, port_transmit"):
        library.load(built(source))


def test_another_port_version_is_refused(source):
    source.write_text(GOOD.replace("return FIRMWARE_PORT_VERSION", "return 7"))
    with pytest.raises(PlanError, match="port version 7, expected 1"):
        library.load(built(source))


def test_port_resets_is_optional(source):
    source.write_text(GOOD.replace("int port_resets", "int other"))
    assert library.load(built(source)).resets is None


def test_unresolved_symbols_are_told(source):
    source.write_text(GOOD.replace("calls++;", "{ void nowhere(void); nowhere(); }"))
    with pytest.raises(PlanError, match="nowhere"):
        library.load(built(source))


def test_missing_and_foreign_files_are_told(tmp_path):
    with pytest.raises(PlanError, match="not found"):
        library.load(tmp_path / "none.so")
    with pytest.raises(PlanError, match="not found"):
        library.build([tmp_path / "none.c"])
    with pytest.raises(PlanError, match="no firmware sources"):
        library.build([])
    text = tmp_path / "text.so"
    text.write_text("not a library")
    with pytest.raises(PlanError, match="cannot be loaded"):
        library.load(text)


def test_without_a_compiler_the_message_says_so(monkeypatch, source):
    monkeypatch.setenv("PATH", "")
    monkeypatch.delenv("CC", raising=False)
    with pytest.raises(PlanError, match="need a C compiler"):
        library.build([source])


def test_the_header_compiles_as_cpp_too(tmp_path):
    source = tmp_path / "check.cpp"
    source.write_text('#include "firmware_port.h"\nint main() { return port_version(); }\n')
    command = library.compiler() or ""
    try:
        done = subprocess.run(
            [
                command,
                "-Wall",
                "-Werror",
                f"-I{library.INCLUDE}",
                "-c",
                str(source),
                "-o",
                "/dev/null",
            ],
            capture_output=True,
            text=True,
            check=False,
        )
    except OSError as problem:
        pytest.skip(str(problem))
    if "cc1plus" in done.stderr:
        pytest.skip("no C++ compiler on this machine")
    assert done.returncode == 0, done.stderr
