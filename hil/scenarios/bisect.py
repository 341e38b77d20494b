"""Drive a search for the first bad build: make builds, run them, keep what they gave.

    finding = find(search, journal, bench, tell)

What a build is and how it runs is the business of `Bench`; where to look next that of
`hil.verdicts.bisection`. Runs that a journal holds already are taken from it, in their order.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Protocol

from hil.core.errors import BenchError
from hil.scenarios.bisect_journal import Event, Journal
from hil.verdicts.bisection import Search
from hil.verdicts.bisection_finding import Finding, Outcome

#: Runs in a row in which the bench was at fault, after which the search stops.
PATIENCE = 3


class Bench(Protocol):
    """Makes builds and runs them."""

    def prepare(self, build: int) -> str:
        """Make a build ready to run; "" or the reason why that cannot be done."""

    def run(self, build: int, number: int) -> Event:
        """Run it once, the run being the `number`th of the search.

        Raises
        ------
        BenchError
            If nothing can be said about the firmware; the run is tried again.
        """


@dataclass(slots=True)
class Visit:
    """A build while it is run, again and again until another one tells more.

    Parameters
    ----------
    build : its number. values : of the runs of this visit.
    behind : probability that the change is at or before this build; None before the ends differ.
    skipped : why it cannot be run.
    """

    build: int
    values: list[float] = field(default_factory=list)
    behind: float | None = None
    skipped: str = ""


def find(
    search: Search,
    journal: Journal,
    bench: Bench,
    tell: Callable[[Visit], object] = lambda _visit: None,
) -> Finding:
    """Go on with a search until it ends.

    Parameters
    ----------
    tell : called at the end of each visit to a build, those of the journal among them.

    Raises
    ------
    BenchError
        If the bench is at fault `PATIENCE` times in a row; the search can go on later.
    """
    past = iter(journal.events)
    number, ready = 0, None
    visit: Visit | None = None
    while (build := search.next()) is not None:
        if visit is None or visit.build != build:
            if visit is not None:
                tell(visit)
            visit = Visit(build)
        event = next(past, None)
        if event is None and ready != build:
            reason = bench.prepare(build)
            ready = None if reason else build
            if reason:
                event = Event(build, skipped=reason)
                journal.add(event)
        if event is None:
            event = _insist(bench, build, number)
            journal.add(event)
        if event.build != build:
            raise BenchError(
                f"{journal.path}: holds a run of build {event.build} where build {build} is next: "
                "it was made by another version of this program; name another --work folder"
            )
        number += not event.skipped
        if event.skipped:
            search.skip(build)
            visit.skipped = event.skipped
        else:
            search.observe(build, event.numbers)
            visit.values += event.numbers
            visit.behind = _behind(search, build)
    if visit is not None:
        tell(visit)
    return search.finding()


def _insist(bench: Bench, build: int, number: int) -> Event:
    for attempt in range(1, PATIENCE + 1):
        try:
            return bench.run(build, number)
        except BenchError:
            if attempt == PATIENCE:
                raise
    raise AssertionError("unreachable")


def _behind(search: Search, build: int) -> float | None:
    if search.expected is None:
        return None
    return float(search.chances[:build].sum())


__all__ = ["Bench", "Event", "Finding", "Journal", "Outcome", "Visit", "find"]
