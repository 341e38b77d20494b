"""The comparison of two runs: which runs carry their traces, and the data the page loads.

A page from a file share may not read files, but it may load scripts: each piece of data is a script
that hands one value over.
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any
from urllib.parse import quote

import numpy as np

from hil.report.markup import visible
from hil.report.plots import chart_data, panels
from hil.report.site.gather import Gathered
from hil.report.site.items import last_of
from hil.report.site.places import safe, trace_place
from hil.report.site.publish import Piece
from hil.report.site.shell import COMPARE, COMPARE_SCRIPT, Page, compare_script, edition, render
from hil.report.site.views import RunLine, Strand
from hil.store.traces import read_trace

DATA = "compare-data.js"
#: Points a series, and repetitions of an item.
_POINTS, _REPEATS = 400, 3
_TRACE = re.compile(r"(?P<item>.+)\.(?P<repeat>\d+)(-(?P<again>\d+))?\.parquet")


@dataclass(frozen=True, slots=True)
class Compared:
    """A run whose traces are in the site: (item, repetition) -> file, the last of its name."""

    strand: Strand
    run: RunLine
    traces: Mapping[tuple[str, int], Path]

    @property
    def items(self) -> tuple[str, ...]:
        """Items that have a trace."""
        return tuple(dict.fromkeys(item for item, _ in self.traces))


def chosen(one: Gathered, newest: int) -> tuple[Compared, ...]:
    """The newest runs that have traces within reach, and the last good one; in order of time."""
    found: list[Compared] = []
    good = False
    for run in reversed(one.runs):
        if len(found) >= newest and (good or not run.good):
            if good:
                break
            continue
        traces = _traces(one.folders.get(run.run, ""))
        if traces:
            found.append(Compared(one.strand, run, traces))
            good = good or run.good
    return tuple(reversed(found))


def _traces(folder: str) -> dict[tuple[str, int], Path]:
    """Traces in a run folder; an item that was run again has those of its last attempt."""
    found: dict[tuple[str, int], tuple[int, Path]] = {}
    for file in sorted(Path(folder, "traces").glob("*.parquet")) if folder else ():
        name = _TRACE.fullmatch(file.name)
        if name and int(name["repeat"]) <= _REPEATS:
            key, again = (name["item"], int(name["repeat"])), int(name["again"] or 1)
            if key not in found or found[key][0] < again:
                found[key] = again, file
    return {key: file for key, (_, file) in sorted(found.items())}


def pairs(compared: Sequence[Compared], runs: Sequence[RunLine]) -> dict[str, dict[str, str]]:
    """Run -> other run -> part of an address that opens their comparison; within one strand."""
    there = {one.run.run: one for one in compared}
    order = {run.run: n for n, run in enumerate(runs)}
    return {
        run: {
            other: address(run, other)
            for other in there
            if other != run and order[other] < order[run]
        }
        for run in there
    }


def address(run: str, other: str, item: str = "") -> str:
    """Fragment of the address of the comparison."""
    parts = [f"a={quote(other)}", f"b={quote(run)}", *([f"item={quote(item)}"] if item else ())]
    return "&".join(parts)


def compare_pieces(
    page: Page, strands: Sequence[tuple[Gathered, Sequence[Compared]]]
) -> Iterator[Piece]:
    """The page, its script, and its data."""
    yield Piece(COMPARE, lambda: render("compare.html.j2", page, script=COMPARE_SCRIPT, data=DATA))
    yield Piece(COMPARE_SCRIPT, compare_script)
    listed = [_listed(one, some) for _, some in strands for one in some]
    yield Piece(DATA, lambda: handed("runs", listed))
    for gathered, some in strands:
        for one in some:
            path = f"traces/{safe(one.run.run)}/measures.js"
            yield Piece(
                path,
                lambda one=one, gathered=gathered: handed(  # type: ignore[misc]
                    f"measures {one.run.run}", _measures(gathered, one.run)
                ),
            )
            for (item, repeat), file in one.traces.items():
                yield Piece(
                    trace_place(one.run.run, item, repeat),
                    lambda one=one, item=item, repeat=repeat, file=file: handed(  # type: ignore[misc]
                        f"trace {one.run.run} {item} {repeat}", drawn(file)
                    ),
                    stamp=_stamp(file),
                )


def handed(name: str, value: Any) -> bytes:
    """A script that hands `value` over under `name`."""
    text = json.dumps([name, value], ensure_ascii=True, separators=(",", ":"), allow_nan=False)
    return f"hand.apply(null,{text.replace('</', '<' + chr(92) + '/')});\n".encode()


def drawn(file: Path) -> dict[str, Any]:
    """A trace as the page draws it; with a `problem` in the place of panels if it is unreadable."""
    from hil.core.errors import StoreError

    try:
        trace = read_trace(file)
    except StoreError:
        return {"problem": "the trace file is not readable", "panels": [], "marks": [], "end": 0}
    data = chart_data(trace, panels(trace, None, 0, _POINTS))
    data["marks"] = [[mark.name, round(mark.t, 6)] for mark in trace.marks]
    return data


def _stamp(file: Path) -> str:
    """Changes when the file does, or what is made of it."""
    try:
        found = file.stat()
    except OSError:
        return ""
    return f"{found.st_size} {found.st_mtime_ns} {edition()[:16]}"


def _listed(one: Compared, some: Sequence[Compared]) -> dict[str, Any]:
    """A run that can be chosen; two of one minute are told apart by the second."""
    alike = sum(other.run.night == one.run.night for other in some) > 1
    repeats: dict[str, int] = {}
    for item, repeat in one.traces:
        repeats[item] = max(repeat, repeats.get(item, 0))
    return {
        "run": one.run.run,
        "folder": safe(one.run.run),
        "night": f"{one.run.night}:{one.run.utc[17:19]}" if alike else one.run.night,
        "build": visible(one.run.build),
        "rig": visible(one.strand.rig),
        "simulated": one.strand.simulated,
        "good": one.run.good,
        "page": one.run.page,
        "items": {item: [safe(item), repeats[item]] for item in one.items},
    }


def _measures(one: Gathered, run: RunLine) -> dict[str, list[list[Any]]]:
    """Item -> measure, unit, value, expanded uncertainty, verdict, page of the measure."""
    place = one.runs.index(run)
    found: dict[str, list[list[Any]]] = {}
    for (_, item), trends in one.trends.items():
        for trend in trends:
            first, last = np.searchsorted(trend.at, (place, place + 1))
            if first < last:
                value, spread, verdict = last_of(trend, int(first), int(last))
                found.setdefault(item, []).append(
                    [trend.measure, trend.unit, value, spread, verdict, trend.page]
                )
    return found
