"""The builds of a search, and how each is made: from a repository, or from a list in a file."""

from __future__ import annotations

import contextlib
import json
import os
import re
import shlex
import signal
import subprocess
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from hil.core.errors import BenchError, PlanError
from hil.scenarios.outliving import ended_with_parent

#: Lines of a command's output that a message repeats.
TAIL = 8
#: Of a commit, shown to people and passed as ``{short}``.
SHORT = 12
#: Time in s that a command has to end in good order, once told to.
GRACE = 15.0
_GIT_LIMIT = 600.0
PLACEHOLDERS = ("build", "short", "out", "source")


@dataclass(frozen=True, slots=True)
class Build:
    """One build.

    Parameters
    ----------
    name : commit, or line of the list. title : what the commit is about, or "".
    """

    name: str
    title: str = ""

    @property
    def short(self) -> str:
        """The name as people read it; a commit is cut."""
        return self.name[:SHORT] if re.fullmatch(r"[0-9a-f]{40,64}", self.name) else self.name


def commits(repository: Path, good: str, bad: str) -> tuple[Build, ...]:
    """The commits from `good` to `bad`, both among them, along first parents.

    Raises
    ------
    PlanError
        If it is no repository, a revision is not known, or `good` is not before `bad`.
    """
    ends = [_git(repository, "rev-parse", "--verify", f"{end}^{{commit}}") for end in (good, bad)]
    listed = _git(
        repository, "log", "--first-parent", "--reverse", "--format=%H %P%x09%s",
        f"{ends[0]}..{ends[1]}", "--",
    )  # fmt: skip
    found = [Build(ends[0], _git(repository, "log", "-1", "--format=%s", ends[0], "--"))]
    # Not `splitlines`: a title may hold characters that it takes for the end of a line.
    for number, line in enumerate(listed.split("\n") if listed else ()):
        hashes, _, title = line.partition("\t")
        name, *parents = hashes.split()
        if number == 0 and ends[0] not in parents[:1]:
            break
        found.append(Build(name, title))
    if found[-1].name != ends[1] or len(found) < 2:
        raise PlanError(
            f"{good} is not an ancestor of {bad} along first parents, so no change can lie between",
            file=str(repository),
        )
    return tuple(found)


def listed_builds(path: Path, good: str, bad: str) -> tuple[Build, ...]:
    """The builds of a list, one a line, oldest first; blank lines and lines with # are left out.

    Parameters
    ----------
    good, bad : a build as it stands there, or its position from 1.

    Raises
    ------
    PlanError
        If the file cannot be read, one of the two is not in it, or they stand the other way round.
    """
    try:
        lines = path.read_text(encoding="utf-8").splitlines()
    except (OSError, UnicodeDecodeError) as error:
        raise PlanError(f"cannot be read: {error}", file=str(path)) from error
    names = [line.strip() for line in lines if line.strip() and not line.lstrip().startswith("#")]
    places = [_position(path, names, end) for end in (good, bad)]
    if places[0] >= places[1]:
        raise PlanError(
            f"the good build ({good}) stands at position {places[0] + 1}, not before the bad one "
            f"({bad}) at {places[1] + 1}",
            file=str(path),
        )
    return tuple(Build(name) for name in names[places[0] : places[1] + 1])


def _position(path: Path, names: list[str], end: str) -> int:
    if names.count(end) == 1:
        return names.index(end)
    if end.isdecimal() and 1 <= int(end) <= len(names):
        return int(end) - 1
    raise PlanError(
        f"expected a build of the list, once, or a position from 1 to {len(names)}, found {end!r}",
        file=str(path),
    )


def _git(repository: Path, *arguments: str) -> str:
    try:
        done = subprocess.run(
            ["git", "-C", str(repository), *arguments],
            capture_output=True,
            encoding="utf-8",
            errors="replace",  # of a title in whatever encoding
            check=False,
            timeout=_GIT_LIMIT,
        )
    except (OSError, subprocess.TimeoutExpired) as error:
        raise PlanError(f"git did not run: {error}", file=str(repository)) from error
    if done.returncode != 0:
        said = " ".join(done.stderr.split()) or f"exit code {done.returncode}"
        raise PlanError(f"git {arguments[0]}: {said}", file=str(repository))
    return done.stdout.strip()


def check_out(repository: Path, build: Build, folder: Path) -> None:
    """Bring a copy of the repository to a commit; the user's own work tree is never touched.

    The copy shares the objects of the repository. What earlier builds left in it is removed.

    Raises
    ------
    PlanError
        If git fails, with what it said.
    """
    if not (folder / ".git").exists():
        folder.parent.mkdir(parents=True, exist_ok=True)
        _git(
            repository, "clone", "--quiet", "--shared", "--no-checkout",
            str(repository.resolve()), str(folder.resolve()),
        )  # fmt: skip
    with contextlib.suppress(OSError):
        (folder / ".git" / "index.lock").unlink()  # of a run that was killed meanwhile
    _git(folder, "checkout", "--quiet", "--force", "--detach", build.name)
    _git(folder, "clean", "--quiet", "-ffdx")


def words(text: str, what: str) -> tuple[str, ...]:
    """A command as its arguments: a JSON list of texts, or words quoted as for a shell.

    Raises
    ------
    PlanError
        If it is neither, is empty, or has a placeholder that there is not.
    """
    try:
        found = json.loads(text) if text.lstrip().startswith("[") else shlex.split(text)
    except ValueError as error:
        raise PlanError(f"{what}: {error}, in {text}") from error
    if not found or not all(isinstance(word, str) for word in found):
        raise PlanError(f"{what}: expected a command, found {text!r}")
    for word in found:
        for name in re.findall(r"\{(\w*)\}", word):
            if name not in PLACEHOLDERS:
                known = ", ".join(f"{{{one}}}" for one in PLACEHOLDERS)
                raise PlanError(f"{what}: there is no {{{name}}}, expected one of {known}")
    return tuple(found)


def filled(command: Sequence[str], values: Mapping[str, str]) -> list[str]:
    """The command with its placeholders filled in; other braces stay."""
    return [
        re.sub(r"\{(\w+)\}", lambda found: values.get(found[1], found[0]), word) for word in command
    ]


def call(
    command: Sequence[str], folder: Path, limit: float, log: Path, *, outlives: bool = False
) -> str:
    """Run a command without a shell, its output into `log`.

    Returns
    -------
    "" if it succeeded, else how it ended and the last of what it said. A command that takes longer
    than `limit` (s), or is interrupted with this process, is ended with everything it started:
    first by SIGTERM, so that a run can leave its bench safe. That it gets also if this process is
    killed (Linux), unless it `outlives` it: a board half flashed answers nobody any more.

    Raises
    ------
    BenchError
        If there is no such program: then no build can be made.
    """
    log.parent.mkdir(parents=True, exist_ok=True)
    with log.open("ab") as file:
        file.write(f"$ {shlex.join(command)}\n".encode())
        file.flush()
        begin = file.tell()
        try:
            process = subprocess.Popen(
                command,
                cwd=folder,
                stdin=subprocess.DEVNULL,
                stdout=file,
                stderr=subprocess.STDOUT,
                start_new_session=True,
                preexec_fn=None if outlives else ended_with_parent(),  # noqa: PLW1509 - no thread holds a lock here
            )
        except OSError as error:
            raise BenchError(f"{command[0]} cannot be run: {error.strerror}") from error
        ended = ""
        try:
            code = process.wait(limit)
            if code:
                ended = f"exit code {code}" if code > 0 else f"signal {-code}"
        except subprocess.TimeoutExpired:
            ended = f"not done within {limit:g} s"
        finally:
            _end(process)
    if not ended:
        return ""
    with log.open("rb") as file:
        file.seek(begin)
        said = file.read().decode("utf-8", "replace").strip().splitlines()[-TAIL:]
    return "\n".join([f"{Path(command[0]).name}: {ended}", *said])


def _end(process: subprocess.Popen[bytes]) -> None:
    """End a command that still runs, and whatever it started and left behind."""
    if process.poll() is None:
        with contextlib.suppress(OSError):
            os.killpg(process.pid, signal.SIGTERM)
        with contextlib.suppress(subprocess.TimeoutExpired):
            process.wait(GRACE)
    with contextlib.suppress(OSError):
        os.killpg(process.pid, signal.SIGKILL)
    process.wait()
