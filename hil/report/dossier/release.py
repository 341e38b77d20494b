"""A release held against its requirements: everything a dossier says, as one value."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from enum import StrEnum
from types import MappingProxyType
from typing import Any

from hil.plan.requirements import RequirementFile
from hil.plan.waivers import Waiver
from hil.report.dossier.assess import Assessment, Status, assess
from hil.report.dossier.basis import Basis, basis_of, disagreements
from hil.report.dossier.changes import Change, changes
from hil.report.dossier.measured import Compared, Key, Measured, Source, compare, gather
from hil.report.dossier.orphans import Orphan, never_decided, orphans, outside, unknown_marks
from hil.report.dossier.proofs import Proofs, proofs_of
from hil.report.dossier.runs import Firmware, RunFacts, one_firmware
from hil.report.items import Item
from hil.report.site.campaigns import DefectsView
from hil.verdicts.moved import Scatter

_MOST_NAMED = 6


class Outcome(StrEnum):
    """What came of a release; people decide what to do with it."""

    QUALIFIED = "qualified"
    ONLY_WAIVED = "NOT qualified without waivers"
    NOT_QUALIFIED = "NOT qualified"


@dataclass(frozen=True, slots=True)
class WaiverLine:
    """A waiver and what became of it: holds, expired, unused."""

    waiver: Waiver
    standing: str
    text: str


@dataclass(frozen=True, slots=True)
class Previous:
    """The release before, from its dossier."""

    release: str
    made: str
    firmware: str
    summary: str
    seal: str
    basis: Basis
    simulated: bool
    measured: Measured
    runs: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Release:
    """See the module text.

    Parameters
    ----------
    made : UTC, ISO 8601.
    blocks : what keeps it from being qualified besides requirements, in sentences.
    remarks : what has to be known.
    changes : against the release before, None without one.
    measured : every judged measure, against the release before if there is one.
    proofs : what is known of how far the plans catch broken firmware.
    """

    file: RequirementFile
    made: str
    firmware: Firmware
    runs: tuple[RunFacts, ...]
    assessments: tuple[Assessment, ...]
    waivers: tuple[WaiverLine, ...]
    orphans: tuple[Orphan, ...]
    outside: tuple[Orphan, ...]
    never_decided: tuple[tuple[RunFacts, Item], ...]
    unknown_marks: tuple[str, ...]
    basis: Basis
    previous: Previous | None
    changes: tuple[Change, ...] | None
    measured: Compared
    proofs: Proofs
    blocks: tuple[str, ...]
    remarks: tuple[str, ...]

    @property
    def counts(self) -> dict[Status, int]:
        """How many requirements have each status, worst first."""
        found = Counter(one.status for one in self.assessments)
        return {status: found[status] for status in Status}

    @property
    def simulated(self) -> bool:
        """Whether any evidence that counts is simulated."""
        return any(one.simulated for one in self.assessments)

    @property
    def mixed(self) -> bool:
        """Whether only a part of the runs is simulated."""
        return len({run.simulated for run in self.runs}) > 1

    def waiver_of(self, one: Assessment) -> WaiverLine | None:
        """The waiver that holds for an open requirement."""
        for line in self.waivers:
            if line.standing == "holds" and line.waiver.requirement == one.requirement.id:
                return line
        return None

    @property
    def outcome(self) -> Outcome:
        """A waiver never makes a release qualified; that only waived ones are open is told."""
        open_ones = [one for one in self.assessments if one.status is not Status.COVERED]
        if not open_ones and not self.blocks:
            return Outcome.QUALIFIED
        if not self.blocks and all(self.waiver_of(one) for one in open_ones):
            return Outcome.ONLY_WAIVED
        return Outcome.NOT_QUALIFIED

    @property
    def summary(self) -> str:
        """One line for a pipeline."""
        stamp = " on SIMULATED evidence" if self.simulated else ""
        total = len(self.assessments)
        if self.outcome is Outcome.QUALIFIED:
            runs = f"{len(self.runs)} run{'s' if len(self.runs) > 1 else ''}"
            return (
                f"qualified{stamp}: {total} of {total} requirements covered by {runs} of "
                f"{self.firmware}"
            )
        parts = [self._named(status) for status in Status if status is not Status.COVERED]
        told = ", ".join([part for part in parts if part] + self._blocked())
        return f"{self.outcome}{stamp}: {told}; {self.counts[Status.COVERED]} of {total} covered"

    def _named(self, status: Status) -> str:
        found = [one for one in self.assessments if one.status is status]
        if not found:
            return ""
        names = [one.requirement.id + (" waived" if self.waiver_of(one) else "") for one in found]
        more = f", and {len(names) - _MOST_NAMED} more" if len(names) > _MOST_NAMED else ""
        return f"{len(found)} {status} ({', '.join(names[:_MOST_NAMED])}{more})"

    def _blocked(self) -> list[str]:
        return (
            [self.blocks[0] if len(self.blocks) == 1 else f"{len(self.blocks)} findings"]
            if (self.blocks)
            else []
        )


def qualify(
    file: RequirementFile,
    runs: Sequence[RunFacts],
    waivers: Sequence[Waiver],
    previous: Previous | None,
    made: str,
    campaigns: Sequence[DefectsView] = (),
    earlier: Mapping[Key, Scatter] = MappingProxyType({}),
) -> Release:
    """Hold `runs` against the requirements of `file`.

    Parameters
    ----------
    campaigns : of seeded defects, evidence about the plans.
    earlier : how measures scatter between earlier runs.

    Raises
    ------
    StoreError
        If the runs are of more than one firmware.
    """
    firmware, proofs = one_firmware(runs), proofs_of(runs, campaigns)
    assessments = tuple(assess(one, file.kind_of(one), runs) for one in file.requirements)
    basis = basis_of(runs, file)
    failed_outside, lost = outside(runs, assessments), never_decided(runs)
    known = {one.id for one in file.requirements}
    known |= {s.plan_requirement or "" for one in file.requirements for s in one.sources}
    return Release(
        file=file,
        made=made,
        firmware=firmware,
        runs=tuple(runs),
        assessments=assessments,
        waivers=_waivers(waivers, assessments, date.fromisoformat(made[:10])),
        orphans=orphans(runs, assessments),
        outside=failed_outside,
        never_decided=lost,
        unknown_marks=unknown_marks(runs, known),
        basis=basis,
        previous=previous,
        changes=None if previous is None else changes(previous.basis, basis),
        measured=compare(
            None if previous is None else previous.measured,
            gather(Source(run.name, run.simulated, run.items, run.doubts) for run in runs),
            earlier,
        ),
        proofs=proofs,
        blocks=tuple(_blocks(firmware, failed_outside, lost)),
        remarks=(*_remarks(runs, basis, previous, assessments), *proofs.remarks),
    )


def _blocks(
    firmware: Firmware,
    failed: Sequence[Orphan],
    lost: Sequence[tuple[RunFacts, Item]],
) -> list[str]:
    found: list[str] = []
    if not firmware.revision and not firmware.images:
        found.append("which firmware ran is unknown: the board reports no build")
    if failed:
        names = sorted({one.item.item for one in failed})
        found.append(f"{_count(failed, 'fail')} outside every requirement ({_few(names)})")
    if lost:
        names = sorted({item.item for _, item in lost})
        found.append(f"{_count(names, 'planned item')} left no result in any run ({_few(names)})")
    return found


def _remarks(
    runs: Sequence[RunFacts],
    basis: Basis,
    previous: Previous | None,
    assessments: Sequence[Assessment],
) -> list[str]:
    told = [_in_doubt(run) for run in runs if run.doubts]
    told += [f"run {run.name}: {text}" for run in runs for text in run.remarks]
    told += [f"the runs differ: {text}" for text in disagreements(basis)]
    for run in runs:
        start = run.record.start
        missing = [
            name
            for name, value in (
                ("operator", start.operator),
                ("ambient temperature", start.environment.get("ambient", "")),
                ("hash of the firmware image", start.firmware),
                ("commit of plans and rig files", start.checkouts),
            )
            if not value
        ]
        if missing:
            told.append(f"run {run.name}: not recorded: {', '.join(missing)}")
    aside = {p.key for one in assessments for p in one.set_aside}
    if aside:
        told.append(f"{_count(aside, 'simulated result')} set aside where the bench is asked for")
    if previous is None:
        told.append("no earlier release was named, so nothing was compared")
    elif previous.simulated and any(not run.simulated for run in runs):
        told.append("the release before rests on simulated evidence")
    return told


def _in_doubt(run: RunFacts) -> str:
    """What speaks against a run, told also where no requirement is left open by it."""
    more = f", and {len(run.doubts) - 1} more" if len(run.doubts) > 1 else ""
    return f"run {run.name}: in doubt, its passes do not count: {run.doubts[0]}{more}"


def _waivers(
    waivers: Sequence[Waiver], assessments: Sequence[Assessment], today: date
) -> tuple[WaiverLine, ...]:
    by_id = {one.requirement.id: one for one in assessments}
    lines: list[WaiverLine] = []
    for waiver in waivers:
        one = by_id.get(waiver.requirement)
        if one is None:
            line = WaiverLine(waiver, "unused", "no requirement of the file has this id")
        elif one.status is Status.COVERED:
            line = WaiverLine(waiver, "unused", "the requirement is covered")
        elif not waiver.holds_on(today):
            line = WaiverLine(waiver, "expired", f"it held until {waiver.expires}")
        else:
            line = WaiverLine(waiver, "holds", f"the requirement stays {one.status}")
        lines.append(line)
    return tuple(lines)


def _count(found: Sequence[Any] | set[Any], word: str) -> str:
    return f"{len(found)} {word}{'' if len(found) == 1 else 's'}"


def _few(names: Sequence[str]) -> str:
    more = f", and {len(names) - _MOST_NAMED} more" if len(names) > _MOST_NAMED else ""
    return ", ".join(names[:_MOST_NAMED]) + more
