"""Before the first item on hardware: preflight and firmware; and what makes a whole run fail."""

from __future__ import annotations

import shutil
import sys
import threading
import time
from datetime import UTC, datetime

import anycrc
import pytest

from hil.bench.checklist import sign
from hil.core.verdict import Verdict
from hil.plan.load import load_rig
from hil.store.intact import check_run
from hil.store.reading import read

BUILD = "5EED0001"  # of the reference firmware
QUICK = ("-k", "next", "t.plan.yaml")


def run(hardware, *args: str) -> tuple[int, str]:
    """A whole run."""
    import subprocess

    done = subprocess.run(
        hardware.command(*args), cwd=hardware.folder, capture_output=True, text=True,
        check=False, timeout=120.0,
    )  # fmt: skip
    return done.returncode, done.stdout + done.stderr


def record_of(hardware):
    (folder,) = hardware.out.iterdir()
    return read(folder)


def test_preflight_is_run_once_and_recorded(hardware) -> None:
    code, output = run(hardware, *QUICK)
    assert code == 0, output
    notes = [note.text for note in record_of(hardware).notes]
    for what in ("interlocks", "supply limits", "protection", "stop path", "direction"):
        assert sum(note.startswith(f"preflight: {what}: ") for note in notes) == 1, notes
        assert f"preflight: {what}: " in output
    assert any("guard process armed" in note for note in notes)


def test_what_the_guard_writes_last_is_in_the_manifest_too(hardware) -> None:
    code, output = run(hardware, *QUICK, "--hil-preflight=off")
    assert code == 0, output
    (folder,) = hardware.out.iterdir()
    assert (folder / "guard.log").is_file()
    time.sleep(2.0)  # a guard that still wrote would do so within its 1.6 s
    assert check_run(folder).intact, check_run(folder).differences


def test_a_failed_preflight_is_one_message_and_nothing_is_run(hardware) -> None:
    hardware.instrument("interlock").closed[2] = False
    code, output = run(hardware, "t.plan.yaml")
    assert code == 10
    assert output.count("nothing was run: preflight: interlocks: interlock open: guard;") == 1
    record = record_of(hardware)
    assert [result.verdict for result in record.results] == [Verdict.NOT_RUN] * 2
    for result in record.results:
        assert result.reason.startswith("preflight: interlocks: interlock open: guard;")
    assert record.end.reason.startswith("refused: preflight: interlocks:")
    assert not hardware.on


def test_a_supply_that_cannot_be_proven_off_has_an_exit_code_of_its_own(hardware) -> None:
    hardware.start("t.plan.yaml", "-k", "long")
    supply = hardware.instrument("supply")
    supply.silent = True
    hardware.wait(lambda: not hardware.on, 2.0, "the supply is still on")  # by the guard at least
    code, output, record = hardware.finish()
    assert code == 12, output
    assert "CHECK THE BENCH: the supply is not proven off" in output
    assert "supply at TCPIP" in record.results[0].reason
    # a guard goes on trying, and nobody else gets the rig meanwhile
    (guard,) = hardware.guards()
    assert f"its guard (process {guard}) goes on trying to switch the supply off" in output
    code, output = run(hardware, *QUICK)
    assert code == 11, output
    assert "its guard is still switching the supply off" in output
    supply.silent = False
    hardware.wait(lambda: not hardware.guards(), 10.0, "the guard does not end")
    (beside,) = hardware.out.glob("*.guard.log")
    assert "the run could not prove that the supply is off" in beside.read_text(encoding="utf-8")
    (folder,) = (path for path in hardware.out.iterdir() if path.is_dir())
    assert check_run(folder).intact, check_run(folder).differences


# -- firmware -----------------------------------------------------------------------------


@pytest.fixture
def flashing(hardware):
    """The rig says how to flash; the command takes the board away for a moment, as a reset does."""
    script = hardware.folder / "flash.py"
    image = hardware.folder / "image.bin"
    image.write_bytes(b"firmware")
    script.write_text(
        "import sys, time\nprint('erasing', flush=True)\ntime.sleep(0.3)\n"
        "print('written', open(sys.argv[1], 'rb').read())\n",
        encoding="utf-8",
    )
    plain = hardware.rig.read_text(encoding="utf-8")
    hardware.rig.write_text(
        f"{plain}board:\n  flash:\n    command: ['{sys.executable}', '{script}', '{{image}}']\n"
        "    watch: 0.3 s\n    identity-within: 5 s\n",
        encoding="utf-8",
    )
    yield image
    hardware.rig.write_text(plain, encoding="utf-8")


def test_flashed_verified_and_recorded(hardware, flashing) -> None:
    code, output = run(
        hardware, *QUICK, f"--hil-firmware={flashing}", f"--hil-build={BUILD}",
        "--hil-preflight=off",
    )  # fmt: skip
    assert code == 0, output
    assert "flash: erasing" in output
    assert "flash: written b'firmware'" in output
    record = record_of(hardware)
    digest = record.start.hashes["image.bin"]
    assert record.start.firmware == {"image.bin": digest}
    assert (record.path / "inputs" / "image.bin").read_bytes() == b"firmware"
    assert any(f"image SHA-256 {digest}; the board answered" in n.text for n in record.notes)
    assert "erasing" in (record.path / "flash.log").read_text()


def test_a_board_that_comes_back_elsewhere_after_the_flash(hardware, flashing) -> None:
    served = hardware.served

    def reset() -> None:
        end = time.monotonic() + 60.0
        while not list(hardware.out.glob("*/flash.log")) and time.monotonic() < end:
            time.sleep(0.02)
        hardware.do(served.unplug_board)
        time.sleep(0.5)
        hardware.do(served.plug_board)
        hardware.board.unlink()
        hardware.board.symlink_to(served.board)

    thread = threading.Thread(target=reset)
    thread.start()
    code, output = run(hardware, *QUICK, f"--hil-firmware={flashing}", "--hil-preflight=off")
    thread.join()
    assert code == 0, output
    assert "waiting for the board to answer" in output


@pytest.mark.parametrize("flash", [False, True])
def test_another_build_than_expected_is_not_tested(hardware, flashing, flash: bool) -> None:
    firmware = [f"--hil-firmware={flashing}"] if flash else []
    code, output = run(hardware, *QUICK, "--hil-build=5EED0002", *firmware)
    assert code == 10
    assert f"nothing was run: the board runs build {BUILD}, expected 5EED0002" in output
    (result,) = record_of(hardware).results
    assert result.verdict is Verdict.NOT_RUN


def line(text: str) -> bytes:
    """A line of the board's protocol with its checksum."""
    crc = anycrc.Model("CRC16-IBM-3740").calc(text.encode())
    return f"{text}*{crc:04X}\n".encode()


def test_firmware_that_changes_in_mid_run_fails_the_run(hardware, monkeypatch) -> None:
    """As if a watchdog had put the other half of the flash in charge: no item is to blame."""
    world = hardware.served.world
    receive, rest = world.receive, bytearray()
    true, other = (line(f"id,DOSING-DRIVE,1.0.0,{build}") for build in (BUILD, "5EED0007"))

    def changed(size: int = 65536) -> bytes:
        rest.extend(receive(size))
        whole = rest.rfind(b"\n") + 1
        data = bytes(rest[:whole])
        del rest[:whole]
        return data.replace(true, other)

    hardware.start(*QUICK)
    hardware.do(lambda: monkeypatch.setattr(world, "receive", changed))
    code, output, record = hardware.finish()
    hardware.do(monkeypatch.undo)
    assert record.results[0].verdict is Verdict.PASS, output
    assert code == 1
    assert "THE RUN FAILS: the board answers as DOSING-DRIVE 5EED0007, but the run began" in output
    assert any("5EED0007" in note.text for note in record.notes if note.level == "error")


def test_what_nobody_has_seen_to_is_not_energised(hardware) -> None:
    with hardware.rig.open("a", encoding="utf-8") as file:
        file.write("checklist: {points: [The tank is empty.]}\n")
    code, output = run(hardware, *QUICK, "--hil-preflight=off")
    assert code == 10
    assert output.count("nothing was run: the checklist of rig hardware was never signed;") == 1
    assert [one.verdict for one in record_of(hardware).results] == [Verdict.NOT_RUN]
    assert not hardware.on
    shutil.rmtree(hardware.out)

    sign(load_rig(hardware.rig), "A. Bench", datetime.now(UTC))
    code, output = run(hardware, *QUICK, "--hil-preflight=off")
    assert code == 0, output
    notes = [note.text for note in record_of(hardware).notes]
    assert (
        sum(note.startswith("checklist of 9 points signed by A. Bench on ") for note in notes) == 1
    )
