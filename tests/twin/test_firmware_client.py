"""The server of firmware processes, seen from the bench."""

import os
import signal
import subprocess
import sys
import threading

import pytest

from hil.core.errors import HarnessError
from hil.twin import firmware_client
from hil.twin.firmware_client import Server, close_server, ended, server


def status_of(code: str) -> int:
    process = subprocess.Popen([sys.executable, "-c", code])
    _, status = os.waitpid(process.pid, 0)
    process.returncode = 0
    return status


@pytest.mark.parametrize(
    ("code", "text"),
    [
        ("import os; os._exit(0)", "ended its process with exit code 0"),
        ("import os; os._exit(42)", "ended its process with exit code 42"),
        ("import os; os.abort()", "crashed with SIGABRT (aborted)"),
        ("import os, signal; os.kill(os.getpid(), 9)", "crashed with SIGKILL (killed)"),
    ],
)
def test_how_a_process_ended_in_words(code, text):
    assert ended(status_of(code)) == text


def test_an_unknown_end_is_said_to_be_unknown():
    assert ended(None) == "ended, and nobody knows how"


def test_there_is_one_server_until_it_ends():
    first = server()
    assert server() is first
    assert first.alive
    assert first.end(99_999_999) == 0  # it answers: it has started
    close_server()
    assert not firmware_client._servers
    assert first._process.returncode == 0
    second = server()
    assert second is not first
    assert second.alive


def test_it_does_not_belong_to_a_process_forked_from_this_one(monkeypatch):
    first = server()
    assert first.end(99_999_999) == 0  # it has started
    monkeypatch.setattr(first, "owner", first.owner + 1)
    second = server()
    assert second is not first
    monkeypatch.undo()
    first._process.wait(timeout=30.0)  # its end of the line was closed, not its process killed


def test_a_server_that_is_gone_is_a_defect_of_ours(tmp_path):
    own = Server()
    own._process.send_signal(signal.SIGKILL)
    own._process.wait()
    with pytest.raises(HarnessError, match="firmware server"):
        own.new("x", tmp_path, tmp_path, [])
    assert own.end(1) is None
    own.close()


def test_a_server_that_runs_other_code_is_refused(tmp_path, monkeypatch):
    own = Server()
    monkeypatch.setattr(firmware_client, "cache_folder", lambda: tmp_path / "code-other")
    with pytest.raises(HarnessError, match="sources of the simulated bench were changed"):
        own.new("x", tmp_path, tmp_path, [])
    own.close()


def test_a_stray_signal_from_the_terminal_does_not_end_it():
    own = Server()
    assert own.end(99_999_999) == 0  # it answers, so it has set itself up
    own._process.send_signal(signal.SIGINT)
    assert own.end(99_999_999) == 0
    assert os.getsid(own._process.pid) != os.getsid(0)
    own.close()


def test_many_threads_may_ask():
    own = server()
    answers = []
    threads = [
        threading.Thread(target=lambda n=n: answers.append(own.end(90_000_000 + n)))
        for n in range(20)
    ]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert answers == [0] * 20
