"""The page that says which build changed what, newest on top."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from hil.core.count import many
from hil.report.items import Standing
from hil.report.site import words
from hil.report.site.shell import Page, render
from hil.report.site.views import BuildLine, Change, RunLine, StrandView
from hil.verdicts.changes_found import SHIPPED

#: Builds that changed something and are told in the first sentences.
_RECENT = 3


@dataclass(frozen=True, slots=True)
class Group:
    """Changes of one measure in several items with one build, the worst first.

    Those that came while the build stayed the same are a group of their own.
    """

    measure: str
    changes: tuple[Change, ...]

    @property
    def worst(self) -> Change:
        """The one to look at first."""
        return self.changes[0]

    @property
    def where(self) -> str:
        """In which items."""
        number = len(self.changes)
        return f"in {number} items" if number > 1 else f"in {self.worst.item}"

    @property
    def weight(self) -> str:
        """How much the worst of them matters."""
        return words.weight(self.worst)


@dataclass(frozen=True, slots=True)
class _Line:
    """A row of the table of builds."""

    build: str
    commit: str
    runs: tuple[RunLine, ...]
    groups: tuple[Group, ...]
    #: Builds told in this one line: nothing changed, and nothing failed that did not afterwards.
    quiet: tuple[BuildLine, ...] = ()
    #: Whether there are runs enough to tell a change with it.
    told: bool = True

    @property
    def nothing(self) -> str:
        """Words for no change."""
        return "nothing" if self.told else "nothing can be told yet"

    @property
    def blamed(self) -> tuple[Group, ...]:
        """What came with the build, not while it stayed the same."""
        return tuple(group for group in self.groups if not group.worst.same_build)

    @property
    def ended(self) -> str:
        """How the last runs of quiet builds ended."""
        fails = {_failed(build) for build in self.quiet}
        if fails == {0}:
            return "nothing failed"
        return f"{fails.pop()} failed as afterwards" if len(fails) == 1 else ""

    @property
    def search(self) -> str:
        """Words by which the filter finds it."""
        builds = self.quiet or (self,)
        words = [f"{build.build} {build.commit} {build.runs[0].words}" for build in builds]
        words += [
            f"changed {g.measure} " + " ".join(c.item for c in g.changes) for g in self.groups
        ]
        return " ".join(words).lower()

    @property
    def span(self) -> str:
        """Days on which it ran."""
        days = sorted({run.utc[:10] for run in self.runs})
        return days[0] if len(days) == 1 else f"{days[0]} to {days[-1]}"


@dataclass(frozen=True, slots=True)
class _Section:
    """One strand as the template reads it."""

    view: StrandView
    anchor: str
    lines: tuple[_Line, ...]

    def __getattr__(self, name: str) -> object:
        return getattr(self.view, name)

    @property
    def last(self) -> RunLine:
        return self.view.runs[-1]

    @property
    def standing(self) -> str:
        return standing(self.last.counts)

    @property
    def last_good(self) -> RunLine | None:
        return next((run for run in reversed(self.view.runs) if run.good), None)

    @property
    def unknown(self) -> int:
        """Runs of which it is not known whether they are whole."""
        return sum(run.deselected is None for run in self.view.runs)

    @property
    def troubled(self) -> tuple[RunLine, ...]:
        """Runs whose folder is not as it was indexed, newest first."""
        return tuple(run for run in reversed(self.view.runs) if run.trouble)

    @property
    def changed_words(self) -> str:
        view = self.view
        if not view.judged:
            return "None has nights enough to tell a lasting change yet."
        idle = view.watched - view.judged
        left = f" {idle} never vary or have too few nights to tell." if idle else ""
        if not any(line.groups for line in self.lines):
            return f"No lasting change was found.{left}"
        changed = sum(bool(line.blamed) for line in self.lines) or "None"
        return f"{changed} of {many(len(view.builds), 'build')} changed something lastingly.{left}"

    @property
    def recent(self) -> tuple[_Line, ...]:
        """The last builds that changed something."""
        return tuple(line for line in self.lines if line.blamed)[:_RECENT]

    @property
    def around(self) -> tuple[Group, ...]:
        """What changed last while the build stayed the same."""
        found = (group for line in self.lines for group in line.groups if group not in line.blamed)
        return tuple(found)[:_RECENT]


def overview_page(
    page: Page, strands: Sequence[StrandView], unreadable: Sequence[str] = ()
) -> bytes:
    """The first page of the site; strands in the order given, each with at least one run.

    Parameters
    ----------
    unreadable : what was to be in the site and could not be read, in words.
    """
    sections = tuple(
        _Section(view, f"strand-{number}", _lines(view)) for number, view in enumerate(strands, 1)
    )
    shares = {view.false_share for view in strands if view.watched}
    chance = (
        f"If nothing had changed anywhere, the chance to see any change at all here would be about "
        f"{100.0 * max(shares):.2g} %."
        if shares
        else ""
    )
    return render(
        "overview.html.j2",
        page,
        strands=sections,
        chance_words=chance,
        unreadable=unreadable,
    )


def standing(counts: Mapping[str, int]) -> str:
    """The worst word that was counted; ``not-run`` for nothing."""
    return next((one.value for one in Standing if counts.get(one.value)), Standing.NOT_RUN.value)


def grouped(changes: Sequence[Change]) -> tuple[Group, ...]:
    """Changes by measure, the worst first, within and between."""
    found: dict[tuple[str, bool], list[Change]] = {}
    for change in changes:
        found.setdefault((change.measure, change.same_build), []).append(change)
    groups = [
        Group(measure, tuple(sorted(some, key=words.badness)))
        for (measure, _), some in found.items()
    ]
    return tuple(sorted(groups, key=lambda group: (words.badness(group.worst), group.measure)))


#: So many quiet builds in a row are told in one line.
_FOLDED = 3


def _lines(view: StrandView) -> tuple[_Line, ...]:
    """A line a build; builds in a row that changed nothing and failed nothing new share one."""
    lines: list[_Line] = []
    quiet: list[BuildLine] = []
    # A change shows when enough runs, of that build or later ones, lie on the new level.
    newest = {run.run for run in view.runs[1 - SHIPPED.side :]}

    def told(build: BuildLine) -> bool:
        return view.judged > 0 and build.runs[-1].run not in newest

    def settle() -> None:
        if len(quiet) < _FOLDED:
            lines.extend(_line(build, told(build)) for build in quiet)
        else:
            runs = tuple(run for build in quiet for run in build.runs)
            lines.append(_Line(quiet[0].build, "", runs, (), tuple(quiet), told(quiet[0])))
        quiet.clear()

    for number, build in enumerate(view.builds):
        later = view.builds[number - 1] if number else None
        failed = _failed(build)
        known = later is not None and failed in (0, _failed(later))
        if quiet and told(build) is not told(quiet[0]):
            settle()
        if build.changes or not known:
            settle()
            lines.append(_line(build, told(build)))
        else:
            quiet.append(build)
    settle()
    return tuple(lines)


def _failed(build: BuildLine) -> int:
    """The most items that failed in one of its runs, from its last whole one on.

    A partial run after that may not have what failed before.
    """
    last = next((n for n, run in enumerate(build.runs) if run.whole), 0)
    return max(run.counts.get(Standing.FAIL.value, 0) for run in build.runs[: last + 1])


def _line(line: BuildLine, told: bool) -> _Line:
    return _Line(line.build, line.commit, line.runs, grouped(line.changes), told=told)
