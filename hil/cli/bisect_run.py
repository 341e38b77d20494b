"""Makes and runs one build of a search: build command, flash command, pytest in a child process."""

from __future__ import annotations

import contextlib
import sys
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from hil.core.errors import BenchError, FirmwareError, HilError, PlanError
from hil.core.measure import Outcome
from hil.core.record import ItemResult
from hil.core.verdict import Verdict
from hil.scenarios.bisect_builds import Build, call, check_out, filled
from hil.scenarios.bisect_journal import Event
from hil.store.reading import RunRecord, read

#: Exit codes of pytest with which the bench had its say: all passed, something did not.
JUDGED = (0, 1)
#: Firmware or preflight refused: nothing was run.
REFUSED = 10


@dataclass(frozen=True, slots=True)
class Question:
    """What is run of each build, and how it is made.

    Parameters
    ----------
    plan, rig : files. item : of the plan. measure : "" for whether the item passes.
    bench : ``twin`` or ``hardware``. seed : of the first run; each run has the next.
    repository : or None where builds stand in a list; then relative paths begin at `folder`.
    build_command, flash_command : with placeholders; empty for none.
    expect_build : what the board must report, with placeholders, or "".
    build_limit, run_limit : s.
    """

    plan: Path
    rig: Path
    item: str
    measure: str
    bench: str
    seed: int
    repository: Path | None
    folder: Path
    build_command: tuple[str, ...]
    flash_command: tuple[str, ...]
    expect_build: str
    build_limit: float
    run_limit: float


class BuiltBench:
    """A `hil.scenarios.bisect.Bench` on the simulated bench or a real one.

    Parameters
    ----------
    work : folder of the search; everything that was made and run lies in it.
    """

    def __init__(self, question: Question, builds: tuple[Build, ...], work: Path) -> None:
        self._q, self._builds, self._work = question, builds, work.resolve()
        self._image = Path()
        self._flashed = False
        self._ran: set[int] = set()

    def _home(self, build: int) -> Path:
        return self._work / "builds" / f"{build:05d}"

    def _values(self, build: int) -> Mapping[str, str]:
        one = self._builds[build]
        return {
            "build": one.name,
            "short": one.short,
            "out": str(self._home(build) / "firmware.image"),
            "source": str(self._source),
        }

    @property
    def _source(self) -> Path:
        return self._work / "source" if self._q.repository is not None else self._q.folder

    def prepare(self, build: int) -> str:
        """See `Bench`: source, build command, then flash command or a first load of the library."""
        question, home = self._q, self._home(build)
        home.mkdir(parents=True, exist_ok=True)
        values = self._values(build)
        self._image = Path(values["out"])
        self._flashed = False
        if question.build_command:
            if question.repository is not None:
                check_out(question.repository, self._builds[build], self._source)
            with contextlib.suppress(OSError):
                self._image.unlink()
            command = filled(question.build_command, values)
            said = call(command, self._source, question.build_limit, home / "build.log")
            if said:
                return f"build {said}"
            if not self._image.is_file():
                return f"build command left no file {self._image.name} at {{out}}"
        else:
            self._image = question.folder / self._builds[build].name
            if not self._image.is_file():
                return f"there is no file {self._image}"
        if question.bench == "twin":
            return self._load(home)
        if question.flash_command:
            command = filled(question.flash_command, {**values, "out": str(self._image)})
            log = home / "flash.log"
            said = call(command, self._source, question.build_limit, log, outlives=True)
            return f"flash {said}" if said else ""
        return ""

    def _load(self, home: Path) -> str:
        """Write the rig file of this build, and see that its library loads."""
        from hil.twin.isolated import IsolatedFirmware

        (home / "rig.yaml").write_text(
            f"based-on: '{self._q.rig.resolve()}'\n"
            "twin:\n  firmware:\n    kind: library\n"
            f"    library: {{path: '{self._image.resolve()}'}}\n",
            encoding="utf-8",
        )
        try:
            IsolatedFirmware.load(self._image).host.close()
        except FirmwareError:
            return ""  # a crash is a finding about the firmware, and belongs to the runs
        except HilError as error:
            return f"load {error}"
        return ""

    def run(self, build: int, number: int) -> Event:
        """See `Bench`: the item through pytest, as at night; its run folder is kept."""
        question, home = self._q, self._home(build)
        out = home / f"run-{number + 1:04d}"
        count = 0
        while out.exists():  # of an attempt that was killed, or in which the bench was at fault
            count += 1
            out = home / f"run-{number + 1:04d}-{count + 1}"
        rig = home / "rig.yaml" if question.bench == "twin" else question.rig
        command = [
            sys.executable, "-m", "pytest", f"{question.plan}::{question.item}", "-q",
            "-p", "no:cacheprovider", f"--hil-bench={question.bench}", f"--hil-rig={rig}",
            f"--hil-out={out}", f"--hil-seed={question.seed + number}",
            f"--hil-search={self._work.name}",
        ]  # fmt: skip
        if question.repository is not None:
            command.append(f"--hil-commit={self._builds[build].name}")
        if question.expect_build:
            expected = filled([question.expect_build], self._values(build))[0]
            command.append(f"--hil-build={expected}")
        if question.bench == "hardware" and not (question.flash_command or self._flashed):
            command.append(f"--hil-firmware={self._image}")
        log = home / "pytest.log"
        said = call(command, Path.cwd(), question.run_limit, log)
        folders = sorted(out.glob("*/record.jsonl")) if out.is_dir() else []
        if said and not folders:
            if f"exit code {REFUSED}" in said and build not in self._ran:
                return Event(build, skipped=f"run {said}")
            raise BenchError(f"nothing was recorded; {said}; all of it is in {log}")
        if not folders:
            raise BenchError(f"nothing was recorded, see {log}")
        self._flashed = True
        event = event_of(read(folders[0].parent), build, question.item, question.measure)
        self._ran.add(build)
        return event


def event_of(record: RunRecord, build: int, item: str, measure: str) -> Event:
    """What a run says about a build.

    Raises
    ------
    BenchError
        If the item has no result, or one that says nothing about the firmware.
    """
    results = [one for one in record.results if one.item == item]
    if not results:
        raise BenchError(f"{record.path}: {item} has no result")
    result = results[-1]
    if result.verdict in (Verdict.BENCH_FAULT, Verdict.NOT_RUN):
        raise BenchError(f"{record.path}: {result.verdict.value}: {result.reason}")
    values = values_of(result, measure)
    if not values and result.verdict is not Verdict.FAIL:
        raise BenchError(f"{record.path}: {item} has no {measure}: {result.reason}")
    return Event(build, values or (None,), folder=str(record.path), detail=result.reason)


def values_of(result: ItemResult, measure: str) -> tuple[float | None, ...]:
    """The values of a measure, one a repetition, None for none; 1 or 0 where no measure is named.

    Raises
    ------
    BenchError
        If it is not decided whether the item passes.
    PlanError
        If the measure has no meaning in this item.
    """
    if not measure:
        if result.verdict is Verdict.UNDECIDED:
            raise BenchError(f"{result.item} is undecided: {result.reason}")
        return (1.0 if result.verdict is Verdict.PASS else 0.0,)
    found = [one for one in result.measures if one.name == measure]
    if found and all(one.outcome is Outcome.NOT_APPLICABLE for one in found):
        raise PlanError(f"{measure} does not apply to {result.item}: {found[0].detail}")
    return tuple(one.value for one in found)
