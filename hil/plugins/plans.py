"""Collects ``*.plan.yaml`` files: one pytest item per planned item, in the order of the file.

pytest's own options work on them: ``-k``, ``-m`` (each item is marked ``hil`` and with its
scenario, direction and sensing method), ``--collect-only``, ``-x``, ``--lf``, ``--junitxml``.
"""

from __future__ import annotations

from collections.abc import Generator, Iterable, Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

from hil.core.errors import HilError, PlanError
from hil.plugins.keys import COLLECTED, LEFT, RUN
from hil.plugins.options import bench_options
from hil.plugins.rigs import load_rig_once

if TYPE_CHECKING:
    from hil.core.record import ItemResult
    from hil.plan.plan import Plan, PlannedItem
    from hil.plan.rig import Rig

MARKS = {
    "hil": "runs on the bench (real or simulated)",
    "start": "start manoeuvre",
    "reversal": "direction reversal",
    "stall": "stall, or its partner that must not trip",
    "speed_step": "speed step",
    "protection": "a fault that must come, stay and go, or its partner that must not come",
    "derating": "current limit over the temperature of the power stage",
    "steps": "scenario made of primitive steps",
    "cw": "clockwise",
    "ccw": "counter-clockwise",
    "hall": "sensing by Hall sensors",
    "back_emf": "sensing by back-EMF",
}

ONE_PROCESS = (
    "bench items run in one process, one rig at a time: leave -n out, or give each worker a rig "
    "of its own with --hil-pool"
)


class ItemNotPassed(Exception):
    """Carries the verdict of an item that did not pass to pytest's reporting."""

    def __init__(self, result: ItemResult) -> None:
        super().__init__(result.reason)
        self.result = result


def pytest_configure(config: pytest.Config) -> None:
    """Register the marks."""
    for name, text in MARKS.items():
        config.addinivalue_line("markers", f"{name}: {text}")


def pytest_ignore_collect(collection_path: Path) -> bool | None:
    """Leave run folders alone: they hold copies of the plans and tests that were run."""
    if (collection_path / "record.jsonl").is_file():
        return True
    return None


def pytest_collect_file(file_path: Path, parent: pytest.Collector) -> pytest.Collector | None:
    """Take files named ``*.plan.yaml``."""
    if file_path.name.endswith(".plan.yaml"):
        collector: pytest.Collector = PlanFile.from_parent(parent, path=file_path)
        return collector
    return None


def pytest_deselected(items: Sequence[pytest.Item]) -> None:
    """Keep what is deselected, see `hil.plugins.omitted`."""
    for item in items:
        item.config.stash.setdefault(LEFT, []).append(item)


def pytest_report_collectionfinish(items: list[pytest.Item]) -> list[str]:
    """Say before the first item which ones no run on this rig can do."""
    return foretold_of(items)


def foretold_of(items: Iterable[pytest.Item]) -> list[str]:
    """What is left out, not run or not judged of the planned ones, see `hil.plan.foretold`."""
    by_rig: dict[Path, list[PlanItem]] = {}
    for item in items:
        if isinstance(item, PlanItem):
            by_rig.setdefault(item.rig_file, []).append(item)
    if not by_rig:
        return []
    from hil.plan.foretold import foretold

    return [
        line
        for those in by_rig.values()
        for line in foretold(
            list({item.plan.path: item.plan for item in those}.values()),
            [item.planned for item in those],
            those[0].rig,
        )
    ]


@pytest.hookimpl(wrapper=True)
def pytest_collection(session: pytest.Session) -> Generator[None, object, object]:
    """Say what was probably meant, where pytest finds no item of that name in a plan."""
    try:
        return (yield)
    except pytest.UsageError as error:
        from hil.plugins.not_found import suggestions

        config = session.config
        collected = config.stash.get(COLLECTED, {}).items()
        planned = {path: [item.id for item in plan.items] for path, plan in collected}
        said = suggestions(config.args, config.invocation_params.dir, planned)
        raise pytest.UsageError("\n".join(map(str, (*error.args, *said)))) from error


class PlanFile(pytest.File):
    """A plan file."""

    def collect(self) -> Iterable[PlanItem]:
        """Read the plan against its rig; a wrong file is a collection error."""
        if hasattr(self.config, "workerinput") and bench_options(self.config).pool is None:
            raise self.CollectError(ONE_PROCESS)
        from hil.plan.collect import collect

        def load(file: Path) -> Rig:
            return load_rig_once(file.resolve())

        found = collect(self.path, bench_options(self.config).rig or "", load=load)
        self.config.stash.setdefault(COLLECTED, {})[self.path] = found
        for planned in found.items:
            yield PlanItem.from_parent(
                self,
                name=planned.id,
                planned=planned,
                plan=found.plan,
                rig=found.rig,
                rig_file=found.rig_file.resolve(),
            )

    def repr_failure(
        self,
        excinfo: pytest.ExceptionInfo[BaseException],
        style: Any = None,  # noqa: ARG002 - a collector takes none, the base class of both does
    ) -> Any:
        """An error in the file is shown as file:line:column and what is wrong, nothing else."""
        if isinstance(excinfo.value, PlanError):
            return str(excinfo.value)
        return super().repr_failure(excinfo)


class PlanItem(pytest.Item):
    """One planned item."""

    def __init__(
        self, *, planned: PlannedItem, plan: Plan, rig: Rig, rig_file: Path, **kwargs: Any
    ) -> None:
        super().__init__(**kwargs)
        self.planned, self.plan, self.rig, self.rig_file = planned, plan, rig, rig_file
        for mark in (
            "hil",
            planned.kind.replace("-", "_"),
            planned.direction.word,
            planned.sensing.value.replace("-", "_"),
        ):
            self.add_marker(mark)
        for requirement in planned.requirements:
            self.user_properties.append(("requirement", requirement))

    def runtest(self) -> None:
        """Run it on the bench; anything but a pass is raised as `ItemNotPassed`."""
        from hil.core.verdict import Verdict
        from hil.plugins.planned_item import run_planned

        result = run_planned(self.config.stash[RUN], self.planned)
        if result.verdict is Verdict.NOT_RUN:
            pytest.skip(f"not run: {result.reason}")
        if result.verdict is not Verdict.PASS:
            raise ItemNotPassed(result)

    def repr_failure(self, excinfo: pytest.ExceptionInfo[BaseException], style: Any = None) -> Any:
        """The verdict, its reason, and every band that did not hold; no traceback."""
        error = excinfo.value
        if isinstance(error, ItemNotPassed):
            return "\n".join(failure_lines(error.result))
        if isinstance(error, HilError):
            return f"{type(error).__name__}: {error}"
        return super().repr_failure(excinfo, style)

    def reportinfo(self) -> tuple[Path, int | None, str]:
        """Where the scenario stands in the plan, for people and for JUnit."""
        return self.path, self.planned.line - 1, self.name


def failure_lines(result: ItemResult) -> Iterator[str]:
    """What an engineer needs first: verdict and cause, then each band that did not hold."""
    from hil.core.verdict import Verdict

    # pytest repeats the first line in its short summary, behind the verdict and the item.
    yield _brief(result.reason)
    seen = {result.reason}
    repeated = any(judgement.repeat > 1 for judgement in result.judgements)
    for judgement in result.judgements:
        # The reason of the item is made of those of its bands, without which repetition it was.
        told = judgement.reason in (seen if repeated else result.reason)
        if judgement.verdict is Verdict.PASS or told:
            continue
        seen.add(judgement.reason)
        repeat = f"repetition {judgement.repeat}: " if judgement.repeat > 1 else ""
        yield f"  {judgement.verdict.value}: {repeat}{_brief(judgement.reason)}"
    yield f"  verdict {result.verdict.value}, under " + ", ".join(
        f"{key} {value}" for key, value in result.conditions.items()
    )


def _brief(reason: str) -> str:
    """Without the rule that is meant where none is named; record and report name it."""
    return reason.replace(" (simple rule)", "")
