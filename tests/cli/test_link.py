"""``hil link`` against boards on pseudo-terminals and against recordings."""

from __future__ import annotations

import contextlib
import json
import os
import re
import threading
import time
import tty
from pathlib import Path

import pytest
from click.testing import CliRunner

from hil.cli.link import link
from hil.cli.link_table import counts, rows, table
from hil.drivers.make_watch import make_watch
from hil.drivers.scripted import ScriptedBoard
from hil.plan.load import load_profile
from hil.store.rawlog import RawLog, read_raw_log

PROFILES = Path(__file__).parents[2] / "testplans" / "profiles"
LINES = PROFILES / "dosing-lines.profile.yaml"
COBS = PROFILES / "dosing-cobs.profile.yaml"


def run(*arguments):
    return CliRunner().invoke(link, [str(a) for a in arguments], catch_exceptions=False)


class Board:
    """A scripted board on a pseudo-terminal that streams when asked to."""

    def __init__(self, profile):
        self.board = ScriptedBoard(load_profile(profile))
        self.board.values |= {"reported.speed": 1234.0, "reported.fault": 2.0}
        self.noise = b""
        self.silent = False
        self.master, self.slave = os.openpty()
        tty.setraw(self.master)
        tty.setraw(self.slave)
        os.set_blocking(self.master, False)
        self.url = os.ttyname(self.slave)
        self._running = True
        self._thread = threading.Thread(target=self._serve, daemon=True)
        self._thread.start()

    def _serve(self):
        start = last = time.monotonic()
        while self._running:
            with contextlib.suppress(OSError):
                answer = self.board.feed(os.read(self.master, 4096))
                if not self.silent:
                    os.write(self.master, answer)
            now = time.monotonic()
            if self.board.streaming and now - last > 0.01 and not self.silent:
                last = now
                with contextlib.suppress(OSError):
                    os.write(self.master, self.noise + self.board.telemetry(now - start))
            time.sleep(0.002)

    def close(self):
        self._running = False
        self._thread.join(2.0)
        os.close(self.master)
        os.close(self.slave)


@pytest.fixture
def serve():
    made = []

    def start(profile):
        made.append(Board(profile))
        return made[-1]

    yield start
    for board in made:
        board.close()


def recorded(path, profile, *, broken=False):
    description = load_profile(profile)
    board = ScriptedBoard(description)
    board.values["reported.temperature"] = 31.5
    with RawLog(path) as log:
        for number in range(50):
            data = board.telemetry(0.01 * number)
            if broken and number % 10 == 5:
                data = bytes([data[0] ^ 1]) + data[1:]
            log.received(100.0 + 0.01 * number, data)
    return path


def test_a_port_identified_streamed_and_recorded(serve, tmp_path):
    served = serve(LINES)
    raw, facts = tmp_path / "link.raw", tmp_path / "link.json"
    done = run(LINES, "--port", served.url, "--identify", "--stream", "--seconds", 0.6,
               "--record", raw, "--json", facts)  # fmt: skip
    assert done.exit_code == 0, done.output
    assert "board: SCRIPTED revision 5EED0001" in done.output
    assert "reported.speed 1234 rpm" in done.output
    assert "reported.fault stall" in done.output
    assert "sent identify: 1" in done.output
    assert "sent stream: 2" in done.output
    found = json.loads(facts.read_text())
    assert found["identity"]["model"] == "SCRIPTED"
    assert found["messages"]["telemetry"]["count"] > 10
    assert found["messages"]["telemetry"]["values"]["reported.speed"] == 1234.0
    assert found["undecoded-bytes"] == 0
    # the recording decodes to the same
    again = run(LINES, "--log", raw)
    assert again.exit_code == 0
    count = found["messages"]["telemetry"]["count"]
    assert f"telemetry: {count}" in again.output
    assert any(piece.to_board for piece in read_raw_log(raw))


FRAMED = [p for p in sorted(PROFILES.glob("**/*.profile.yaml")) if "modbus" not in p.stem]


@pytest.mark.parametrize("profile", FRAMED, ids=lambda p: p.stem)
def test_the_motor_is_never_commanded(serve, profile):
    served = serve(profile)
    run(profile, "--port", served.url, "--identify", "--stream", "--seconds", 0.3)
    time.sleep(0.05)
    assert {name for name, _ in served.board.received} <= {"identify", "stream"}


def test_listening_alone_sends_nothing(serve):
    served = serve(LINES)
    served.board.streaming = True
    done = run(LINES, "--port", served.url, "--seconds", 0.3)
    assert done.exit_code == 0
    assert "telemetry:" in done.output
    assert served.board.received == []
    assert ", 0 sent" in done.output


def test_a_silent_port_is_said_and_fails(serve):
    served = serve(LINES)
    served.silent = True
    done = run(LINES, "--port", served.url, "--identify", "--seconds", 0.1)
    assert done.exit_code == 3
    assert "problem: board on" in done.output
    assert "nothing arrived" in done.output


def test_a_wrong_profile_shows_bytes_and_reasons(serve):
    served = serve(LINES)
    served.board.streaming = True
    done = run(COBS, "--port", served.url, "--seconds", 0.4)
    assert done.exit_code == 3
    assert "nothing decoded" in done.output
    assert "no end of frame within" in done.output
    assert "74 2c" in done.output  # "t," of a telemetry line
    assert "none of it decoded" in done.output


def test_words_that_would_fit_are_told_and_keys_that_are_unknown(tmp_path):
    wrong = tmp_path / "wrong.profile.yaml"
    wrong.write_text(COBS.read_text().replace("CRC-16/IBM-3740", "CRC-16/USB"))
    log = recorded(tmp_path / "a.raw", COBS)
    done = run(wrong, "--log", log)
    assert re.search(r"did not decode:\n    \d+ x checksum \.\.\., expected \.\.\.\n", done.output)
    assert "would decode with 'checksum: CRC-16/IBM-3740' in the profile\n" in done.output
    wrong.write_text(COBS.read_text().replace("key: 0x90", "key: 0x91"))
    assert "    50 x unknown message 90\n" in run(wrong, "--log", log).output


def test_a_port_that_is_not_there_leaves_no_recording(tmp_path):
    from hil.core.errors import LinkError

    with pytest.raises(LinkError):
        run(LINES, "--port", "/dev/no-such-port", "--record", tmp_path / "a.raw")
    assert not (tmp_path / "a.raw").exists()


def test_noise_is_named_beside_what_decodes(serve, tmp_path):
    served = serve(LINES)
    served.board.streaming = True
    served.noise = b"\xff\xfe\n"
    facts = tmp_path / "facts.json"
    done = run(LINES, "--port", served.url, "--seconds", 0.4, "--json", facts)
    assert done.exit_code == 0
    assert "x no checksum" in done.output
    found = json.loads(facts.read_text())
    assert found["undecoded"][0]["bytes"] == "ff fe"
    assert 0.0 <= found["undecoded"][0]["t"] < 30.0  # since listening began, not since start-up
    assert found["reasons"] == {"no checksum": found["undecoded-bytes"] // 2}


@pytest.mark.parametrize("name", ["dosing-lines", "dosing-cobs", "examples/slip",
                                  "examples/delimited", "examples/length"])  # fmt: skip
def test_a_recording_of_every_framing(tmp_path, name):
    profile = PROFILES / f"{name}.profile.yaml"
    facts = tmp_path / "facts.json"
    log = recorded(tmp_path / "a.raw", profile, broken=True)
    done = run(profile, "--log", log, "--json", facts)
    assert done.exit_code == 0
    found = json.loads(facts.read_text())
    # five frames broken, their sequence numbers missed
    assert found["messages"]["telemetry"]["count"] == 45
    assert found["lost"] == 5
    assert found["messages"]["telemetry"]["rate"] == pytest.approx(44 / 0.49, rel=0.05)
    assert "did not decode:" in done.output


def test_no_value_is_null_in_json(tmp_path):
    profile = PROFILES / "examples/slip.profile.yaml"
    board = ScriptedBoard(load_profile(profile))
    board.values["reported.current"] = float("nan")
    with RawLog(tmp_path / "a.raw") as log:
        log.received(0.0, board.telemetry(0.0))
    facts = tmp_path / "facts.json"
    done = run(profile, "--log", tmp_path / "a.raw", "--json", facts)
    assert "reported.current no value" in done.output
    values = json.loads(facts.read_text())["messages"]["telemetry"]["values"]
    assert values["reported.current"] is None


@pytest.mark.parametrize(
    ("arguments", "text"),
    [
        ([], "give either --port or --log"),
        (["--port", "x", "--log", LINES], "give either --port or --log"),
        (["--log", LINES, "--identify"], "need --port"),
        (["--log", LINES, "--seconds", "1"], "need --port"),
        (["--port", "x", "--seconds", "0"], "is not in the range"),
    ],
)
def test_options_that_do_not_go_together(arguments, text):
    done = run(LINES, *arguments)
    assert done.exit_code == 2
    assert text in done.output


def test_a_port_that_is_not_there_and_a_file_that_is_no_log(capsys):
    from hil.cli.main import main

    with pytest.raises(SystemExit) as left:
        main(["link", str(LINES), "--port", "/dev/no-such-port", "--seconds", "1"])
    assert left.value.code == 3
    assert "board port /dev/no-such-port: not there; " in capsys.readouterr().err
    with pytest.raises(SystemExit) as left:
        main(["link", str(LINES), "--log", str(LINES)])
    assert left.value.code == 1
    assert "not a line of a raw log" in capsys.readouterr().err


def test_the_table_shows_messages_and_what_is_left_over():
    from rich.console import Console

    description = load_profile(LINES)
    watch, board = make_watch(description), ScriptedBoard(description)
    board.values["reported.speed"] = 777.0
    watch.piece(0.0, False, board.telemetry(0.0) + b"[red]noise\n")
    console = Console(width=200, force_terminal=True, no_color=True)
    with console.capture() as capture:
        console.print(table(watch))
    text = capture.get()
    assert "reported.speed 777 rpm" in text
    assert "undecoded" in text
    assert "no checksum" in text
    assert rows(watch)[0][:2] == ("telemetry", "1")
    assert counts(watch).startswith(f"{watch.received} bytes received, 10 undecoded")


def test_on_a_terminal_the_table_lives(serve, monkeypatch):
    monkeypatch.setenv("FORCE_COLOR", "1")
    monkeypatch.setenv("COLUMNS", "200")
    served = serve(LINES)
    served.board.streaming = True
    served.noise = b"\xff\xfe\n"
    done = run(LINES, "--port", served.url, "--seconds", 0.8)
    assert done.exit_code == 0
    assert done.output.count("per second") >= 2
    assert done.output.count("undecoded") >= 3
    assert "reported.speed 1234 rpm" in done.output


def test_interrupting_is_how_listening_ends(serve, monkeypatch):
    from hil.ports.clock import WallClock

    served = serve(LINES)
    served.board.streaming = True
    began = time.monotonic()
    sleep = WallClock.sleep

    def interrupted(clock, seconds):
        if time.monotonic() - began > 0.3:
            raise KeyboardInterrupt
        sleep(clock, seconds)

    monkeypatch.setattr(WallClock, "sleep", interrupted)
    done = run(LINES, "--port", served.url)
    assert done.exit_code == 0
    assert "telemetry:" in done.output
    assert "230400 baud, until Ctrl-C ..." in done.output


def test_a_port_that_disappears_still_shows_what_was_found(serve, monkeypatch):
    from hil.core.errors import LinkError
    from hil.drivers.serial_board import SerialBoard

    served = serve(LINES)
    served.board.streaming = True
    began, read = time.monotonic(), SerialBoard.read

    def vanishing(board):
        if time.monotonic() - began > 0.3:
            raise LinkError("board on x: reading failed, is it unplugged?")
        return read(board)

    monkeypatch.setattr(SerialBoard, "read", vanishing)
    done = run(LINES, "--port", served.url)
    assert done.exit_code == 3
    assert "telemetry:" in done.output
    assert "problem: board on x: reading failed, is it unplugged?" in done.output
