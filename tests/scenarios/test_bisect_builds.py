"""Builds from real repositories and lists; commands without a shell, within their time."""

from __future__ import annotations

import json
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from hil.core.errors import BenchError, PlanError
from hil.scenarios.bisect_builds import (
    Build,
    call,
    check_out,
    commits,
    filled,
    listed_builds,
    words,
)


def git(repository: Path, *arguments: str) -> str:
    done = subprocess.run(
        ["git", "-C", str(repository), "-c", "user.name=pump", "-c", "user.email=p@example.org",
         "-c", "commit.gpgsign=false", *arguments],
        check=True, capture_output=True, text=True,
    )  # fmt: skip
    return done.stdout.strip()


@pytest.fixture
def repository(tmp_path: Path) -> Path:
    """Main line 0 to 4, with a side branch merged at 3."""
    folder = tmp_path / "firmware"
    folder.mkdir()
    git(folder, "init", "-q", "-b", "main")
    for number in range(5):
        if number == 3:
            git(folder, "checkout", "-q", "-b", "side", "HEAD~1")
            (folder / "side.c").write_text("side")
            git(folder, "add", ".")
            git(folder, "commit", "-q", "-m", "Aside")
            git(folder, "checkout", "-q", "main")
            git(folder, "merge", "-q", "--no-ff", "-m", "Version 3", "side")
        else:
            (folder / "main.c").write_text(f"{number}\n")
            git(folder, "add", ".")
            git(folder, "commit", "-q", "-m", f"Version {number}")
        git(folder, "tag", f"v{number}")
    return folder


@pytest.mark.parametrize(
    ("title", "told"),
    [(b"r\xfcckw\xe4rts", "rückwärts"), ("one\u2028line\x0b".encode(), "one\u2028line")],
)
def test_titles_in_any_encoding_and_of_odd_characters(
    repository: Path, tmp_path: Path, title: bytes, told: str
) -> None:
    message = tmp_path / "message"
    message.write_bytes(title + b"\n")
    (repository / "main.c").write_text("5\n")
    git(repository, "commit", "-q", "-a", "-F", str(message))
    found = commits(repository, "v3", "HEAD")
    assert [build.title for build in found] == ["Version 3", "Version 4", told]


def test_commits_follow_first_parents(repository: Path) -> None:
    found = commits(repository, "v0", "v4")
    assert [one.title for one in found] == [f"Version {n}" for n in range(5)]
    assert found[0].name == git(repository, "rev-parse", "v0")
    assert found[4].short == git(repository, "rev-parse", "v4")[:12]
    assert [one.title for one in commits(repository, "v3", "v4")] == ["Version 3", "Version 4"]


@pytest.mark.parametrize(
    ("good", "bad", "message"),
    [
        ("v4", "v0", "is not an ancestor"),
        ("v2", "v2", "is not an ancestor"),
        ("side", "v4", "is not an ancestor of v4 along first parents"),
        ("v0", "v9", "git rev-parse"),
    ],
)
def test_ends_that_make_no_history_are_refused(repository, good, bad, message) -> None:
    with pytest.raises(PlanError, match=message):
        commits(repository, good, bad)


def test_a_folder_that_is_no_repository_is_refused(tmp_path: Path) -> None:
    with pytest.raises(PlanError, match="git rev-parse"):
        commits(tmp_path, "a", "b")


def test_a_commit_is_checked_out_beside_the_user_s_own_tree(repository, tmp_path) -> None:
    (repository / "main.c").write_text("being edited")
    builds = commits(repository, "v0", "v4")
    source = tmp_path / "work" / "source"
    check_out(repository, builds[1], source)
    assert (source / "main.c").read_text() == "1\n"
    (source / "left.o").write_text("by a build")
    (source / "main.c").write_text("changed by a build")
    (source / ".git" / "index.lock").write_text("")
    check_out(repository, builds[3], source)
    assert (source / "side.c").is_file()
    assert not (source / "left.o").exists()
    check_out(repository, builds[0], source)
    assert sorted(one.name for one in source.iterdir()) == [".git", "main.c"]
    assert (repository / "main.c").read_text() == "being edited"
    assert git(repository, "status", "--porcelain") == "M main.c"
    assert git(repository, "worktree", "list").count("\n") == 0


def test_a_list_of_builds(tmp_path: Path) -> None:
    path = tmp_path / "builds.txt"
    path.write_text("# oldest first\nold.so\n\n 1.1 \n1.2\n1.3\n")
    assert [b.name for b in listed_builds(path, "old.so", "1.3")] == ["old.so", "1.1", "1.2", "1.3"]
    assert [b.name for b in listed_builds(path, "2", "4")] == ["1.1", "1.2", "1.3"]
    assert Build("1.1").short == "1.1"


@pytest.mark.parametrize(
    ("good", "bad", "message"),
    [
        ("b", "a", r"stands at position 2, not before the bad one \(a\) at 1"),
        ("a", "a", "not before"),
        ("a", "d", "position from 1 to 4, found 'd'"),
        ("a", "5", "position from 1 to 4, found '5'"),
        ("a", "c", "found 'c'"),
    ],
)
def test_a_list_that_does_not_fit_is_refused(tmp_path, good, bad, message) -> None:
    path = tmp_path / "builds.txt"
    path.write_text("a\nb\nc\nc\n")
    with pytest.raises(PlanError, match=message):
        listed_builds(path, good, bad)


def test_a_list_that_is_not_there_is_refused(tmp_path) -> None:
    with pytest.raises(PlanError, match="cannot be read"):
        listed_builds(tmp_path / "none.txt", "1", "2")


def test_commands_are_words() -> None:
    assert words("make OUT={out} 'a b'", "x") == ("make", "OUT={out}", "a b")
    assert words('["cc", "-o", "{out}", "a b"]', "x") == ("cc", "-o", "{out}", "a b")
    assert words("awk '{print $1}'", "x") == ("awk", "{print $1}")


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("", "expected a command"),
        ("[]", "expected a command"),
        ("[1, 2]", "expected a command"),
        ("cc 'open", "--build-command: No closing quotation"),
        ("[cc", "--build-command: "),
        ("make {image}", r"there is no \{image\}, expected one of \{build\}"),
    ],
)
def test_commands_that_are_none_are_refused(text: str, message: str) -> None:
    with pytest.raises(PlanError, match=message):
        words(text, "--build-command")


@given(st.lists(st.text(min_size=1), min_size=1))
def test_any_words_survive_as_a_list(arguments: list[str]) -> None:
    arguments = [word.replace("{", "(") for word in arguments]
    assert words(json.dumps(arguments), "x") == tuple(arguments)
    assert filled(arguments, {"out": "/f"}) == arguments


def test_placeholders_are_filled_once() -> None:
    values = {"out": "/x/{build}", "build": "abc"}
    assert filled(["-o{out}", "{build}{build}", "{other}", "{"], values) == [
        "-o/x/{build}", "abcabc", "{other}", "{",
    ]  # fmt: skip


def test_what_a_command_says_is_kept_and_told(tmp_path: Path) -> None:
    log = tmp_path / "a" / "build.log"
    talk = "print('fine')"
    assert call([sys.executable, "-c", talk], tmp_path, 60.0, log) == ""
    fail = "import sys; print('line 1'); print('wrong', file=sys.stderr); sys.exit(3)"
    said = call([sys.executable, "-c", fail], tmp_path, 60.0, log)
    assert "exit code 3" in said.splitlines()[0]
    assert set(said.splitlines()[1:]) == {"line 1", "wrong"}
    assert "fine" in log.read_text()


def test_a_command_that_takes_too_long_is_ended_with_its_children(tmp_path: Path) -> None:
    spawn = (
        "import subprocess, sys, time\n"
        "child = subprocess.Popen([sys.executable, '-c', 'import time; time.sleep(600)'])\n"
        f"open({str(tmp_path / 'pid')!r}, 'w').write(str(child.pid))\n"
        "time.sleep(600)\n"
    )
    said = call([sys.executable, "-c", spawn], tmp_path, 3.0, tmp_path / "log")
    assert "not done within 3 s" in said
    if (tmp_path / "pid").exists() and (text := (tmp_path / "pid").read_text()):
        for _ in range(100):
            state = Path(f"/proc/{text}/stat")
            if not state.exists() or state.read_text().rpartition(")")[2].split()[0] == "Z":
                break
            time.sleep(0.05)
        else:
            pytest.fail("the child of the command still runs")


def test_a_command_is_told_to_end_before_it_is_killed(tmp_path: Path) -> None:
    polite = (
        "import pathlib, signal, sys, time\n"
        "def off(*_):\n"
        "    pathlib.Path('safe').write_text('supply off')\n"
        "    sys.exit(0)\n"
        "signal.signal(signal.SIGTERM, off)\n"
        "time.sleep(600)\n"
    )
    said = call([sys.executable, "-c", polite], tmp_path, 5.0, tmp_path / "log")
    assert "not done within 5 s" in said
    assert (tmp_path / "safe").read_text() == "supply off"


@pytest.mark.parametrize("how", [signal.SIGINT, signal.SIGKILL])
def test_the_command_ends_in_order_however_this_process_ends(
    how: signal.Signals, tmp_path: Path
) -> None:
    script = tmp_path / "outer.py"
    polite = (
        "import pathlib, signal, sys, time\n"
        "signal.signal(signal.SIGTERM, lambda *_: (pathlib.Path('safe').touch(), sys.exit(0)))\n"
        "pathlib.Path('begun').touch()\n"
        "time.sleep(600)\n"
    )
    script.write_text(
        "import sys\nfrom pathlib import Path\n"
        "from hil.scenarios.bisect_builds import call\n"
        f"call([sys.executable, '-c', {polite!r}], Path('.'), 600.0, Path('log'))\n"
    )
    outer = subprocess.Popen([sys.executable, str(script)], cwd=tmp_path, stderr=subprocess.PIPE)
    try:
        for _ in range(1200):
            if (tmp_path / "begun").exists():
                break
            time.sleep(0.05)
        outer.send_signal(how)
        _, said = outer.communicate(timeout=60.0)
    finally:
        outer.kill()
        outer.wait()
    assert (b"KeyboardInterrupt" in said) is (how is signal.SIGINT)
    for _ in range(600):  # one that was killed waits for nobody
        if (tmp_path / "safe").exists():
            return
        time.sleep(0.05)
    pytest.fail("the command was not told to end")


def test_a_command_that_may_outlive_this_process_is_left_to_its_end(tmp_path: Path) -> None:
    """Flashing: half an image on a board is worse than a search that ends a little late."""
    flash = (
        "import pathlib, time\n"
        "pathlib.Path('begun').touch()\n"
        "while not pathlib.Path('gone').exists(): time.sleep(0.02)\n"
        "pathlib.Path('flashed').touch()\n"
    )
    script = tmp_path / "outer.py"
    script.write_text(
        "import sys\nfrom pathlib import Path\n"
        "from hil.scenarios.bisect_builds import call\n"
        f"call([sys.executable, '-c', {flash!r}], Path('.'), 60.0, Path('log'), outlives=True)\n"
    )
    outer = subprocess.Popen([sys.executable, str(script)], cwd=tmp_path)
    try:
        await_file(tmp_path / "begun")
    finally:
        outer.kill()
        outer.wait()
    (tmp_path / "gone").touch()
    await_file(tmp_path / "flashed")


def await_file(path: Path) -> None:
    for _ in range(1200):
        if path.exists():
            return
        time.sleep(0.05)
    pytest.fail(f"there is no {path.name}")


def test_no_shell_is_in_between(tmp_path: Path) -> None:
    show = "import sys; print(sys.argv[1]); sys.exit(1)"
    said = call([sys.executable, "-c", show, "$HOME; *"], tmp_path, 60.0, tmp_path / "log")
    assert said.splitlines()[-1] == "$HOME; *"


def test_a_program_that_is_not_there_is_the_bench_s_trouble(tmp_path: Path) -> None:
    with pytest.raises(BenchError, match="no-such-program cannot be run: No such file"):
        call(["no-such-program"], tmp_path, 5.0, tmp_path / "log")
