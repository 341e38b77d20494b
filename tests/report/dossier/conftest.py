"""Run folders of a bench, made line by line, and requirement files to hold them against."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

import pytest

from hil.core.band import Band
from hil.core.measure import Measure, Outcome
from hil.core.record import Checkout, Identity, ItemResult, ItemStart, Omitted, RunEnd, RunStart
from hil.core.verdict import Judgement, Verdict, combine
from hil.report.dossier.release import Release
from hil.report.dossier.write import Wanted, make_dossier
from hil.report.rebuild import rebuild
from hil.store.folder import RunFolder
from hil.store.manifest import write_manifest

TESTPLANS = Path(__file__).parents[3] / "testplans"
UTC = "2026-03-01T22:15:09.123Z"
TODAY = "2026-03-05T08:00:00.000Z"
IN_DATE: Mapping[str, str] = {"supply": "2027-01-31", "tachometer": "2026-03-01"}


def judged(
    measure: str = "success",
    verdict: Verdict = Verdict.PASS,
    requirement: str = "",
    repeat: int = 1,
    **limits: float | None,
) -> Judgement:
    """A judgement of a measure in its unit; the value fits the verdict."""
    low, high = limits.get("low"), limits.get("high", None if "low" in limits else 2.0)
    band = Band(measure, low, high, "s", requirement=requirement)
    inside = (low if low is not None else 0.0) + 1.0 if high is None else high / 2.0
    if verdict is Verdict.UNDECIDED:
        value = Measure.absent(measure, "s", Outcome.MISSING_DATA, "no samples")
        return Judgement(band, value, verdict, f"{measure}: missing data", repeat=repeat)
    number = inside if verdict is Verdict.PASS else (high or 0.0) * 2.0
    margin = (high if high is not None else number + 1.0) - number
    said = f"{measure} {number:g} s is {'in' if verdict is Verdict.PASS else 'out'}side its band"
    value = Measure(measure, "s", number, 0.01)
    return Judgement(band, value, verdict, said, margin=margin, repeat=repeat)


def item(
    name: str,
    *judgements: Judgement,
    marks: Sequence[str] = (),
    verdict: Verdict | None = None,
    wins: Sequence[bool | None] = (),
    plan: str = "nightly",
    reason: str = "",
    conditions: Mapping[str, str] | None = None,
) -> ItemResult:
    """A result; `wins` are the values of the measure success of each repetition."""
    came_to = combine(j.verdict for j in judgements) if verdict is None else verdict
    measures = [
        Measure.absent("success", "1", Outcome.MISSING_DATA, "")
        if won is None
        else Measure("success", "1", float(won))
        for won in wins
    ]
    return ItemResult(
        item=name,
        scenario="start",
        plan=plan,
        title=name,
        conditions={"supply": "24 V"} if conditions is None else conditions,
        verdict=came_to,
        reason=reason or f"{name} came to {came_to}",
        utc=UTC,
        duration=1.0,
        measures=tuple(measures),
        repeats=tuple(range(1, len(measures) + 1)),
        judgements=tuple(judgements),
        requirements=tuple(marks),
    )


@dataclass
class Lab:
    """Makes runs and holds them against requirements."""

    path: Path
    _out: int = field(default=0)
    item = staticmethod(item)
    judged = staticmethod(judged)

    def run(
        self,
        name: str,
        *entries: ItemResult | str,
        simulated: bool = False,
        revision: str = "B1",
        serial: str = "S-7",
        end_revision: str | None = None,
        due: Mapping[str, str] = IN_DATE,
        ended: bool = True,
        sealed: bool = True,
        change: Callable[[RunStart], RunStart] = lambda start: start,
        planned: Sequence[str] = (),
        plan: str = "",
        sensing: str = "hall, back-emf",
        omitted: Sequence[Omitted] = (),
    ) -> Path:
        """A run folder; an entry that is a text is an item that was interrupted.

        It is of a scenario in Python, or of `plan`, scenarios as text, on a rig that has `sensing`.
        """
        board = Identity(role="board", model="DRIVE", serial=serial, revision=revision)
        instruments = [
            Identity(role=role, model=f"M-{role}", serial="1", calibration_due=day)
            for role, day in due.items()
        ]
        names = [one if isinstance(one, str) else one.item for one in entries]
        inputs = self.inputs(plan, sensing)
        with RunFolder.create(self.path / "runs", name) as folder:
            hashes = folder.keep_inputs(inputs)
            start = RunStart(
                run=name,
                utc=UTC,
                simulated=simulated,
                bench="bench of rig pump",
                rig="pump",
                plans=(inputs[0].name,),
                items=tuple(dict.fromkeys([*names, *planned])),
                identities=(board, *instruments),
                hashes=hashes,
                host={"hil": "0.1.0", "hil code": "c0de" * 16, "python": "3.13"},
                limits={"current": "15 A", "speed": "6500 rpm"},
                commit="c0ffee",
                operator="A. Bench",
                environment={"ambient": "22 degC"},
                firmware={"image.bin": "ab" * 32},
                omitted=tuple(omitted),
                checkouts=(Checkout(files=(inputs[0].name,), commit="ab" * 20),),
            )
            folder.append(change(start))
            for number, entry in enumerate(entries, 1):
                name_of = entry if isinstance(entry, str) else entry.item
                folder.append(ItemStart(item=name_of, utc=UTC, position=number, of=len(entries)))
                if isinstance(entry, ItemResult):
                    folder.append(entry)
            if ended:
                after = replace(board, revision=end_revision or revision)
                end = (after, *instruments)
                folder.append(RunEnd(utc=UTC, reason="completed", counts={}, identities=end))
        rebuild(folder.path)
        if sealed and ended:
            write_manifest(folder.path, UTC)
        return folder.path

    def inputs(self, plan: str, sensing: str) -> list[Path]:
        """The files that a run rests on, lying apart as on a bench, the plan first."""
        if not plan:
            module = self.path / "test_pump.py"
            module.write_text("def test_pump(hil_bench): ...\n")
            return [module]
        files = [
            self.path / name
            for name in (
                "nightly.plan.yaml",
                "rigs/pump.yaml",
                "base/pump.yaml",
                "line.profile.yaml",
            )
        ]
        for file in files:
            file.parent.mkdir(exist_ok=True)
        files[0].write_text(f"format: 1\nplan: nightly\nrig: rigs/pump.yaml\nscenarios:\n{plan}")
        files[1].write_text(
            f"based-on: ../base/pump.yaml\nrig: pump\nboard: {{sensing: [{sensing}]}}\n"
        )
        shipped = (TESTPLANS / "rigs" / "dosing-pump.yaml").read_text()
        files[2].write_text(
            shipped.replace("../profiles/dosing-lines.profile.yaml", "../line.profile.yaml")
        )
        files[3].write_bytes((TESTPLANS / "profiles" / "dosing-lines.profile.yaml").read_bytes())
        return files

    def requirements(self, text: str, head: str = "") -> Path:
        """A requirement file; `text` is the list, indented by two."""
        path = self.path / "release.requirements.yaml"
        path.write_text(f"format: 1\nrelease: pump\n{head}\nrequirements:\n{text}")
        return path

    def waivers(self, *lines: str) -> Path:
        path = self.path / "release.waivers.yaml"
        path.write_text("format: 1\nwaivers:\n" + "".join(f"  - {line}\n" for line in lines))
        return path

    def dossier(self, requirements: Path, *runs: Path, **more: object) -> tuple[Release, Path]:
        """The release and the folder of its dossier."""
        self._out += 1
        out = self.path / f"dossier-{self._out}"
        made = str(more.pop("made", TODAY))
        release, _seal = make_dossier(Wanted(requirements, runs, out, **more), made)  # type: ignore[arg-type]
        return release, out

    def release(self, requirements: Path, *runs: Path, **more: object) -> Release:
        """What the dossier says."""
        return self.dossier(requirements, *runs, **more)[0]


@pytest.fixture
def lab(tmp_path: Path) -> Lab:
    return Lab(tmp_path)
