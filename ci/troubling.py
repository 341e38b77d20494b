"""Runs whole plans on simulated benches that misbehave; see ``ci/troubles``.

Each cell is a run of its own, of two items: the bench of the first gets one trouble, at one moment,
that of the second is in order. What must come of it is written down beforehand.
"""

from __future__ import annotations

import argparse
import json
import re
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import asdict, dataclass
from functools import cache
from pathlib import Path
from unittest.mock import patch

from hil.bench import simulate
from hil.core.verdict import Verdict
from hil.measures.catalogue import KINDS as MEASURED
from hil.measures.catalogue import definitions
from hil.plan.expand import expand
from hil.plan.load import load_plan, load_rig
from hil.plan.plan import PlannedItem
from hil.plan.rig import Rig
from hil.plugins import planned_item
from hil.plugins.in_force import BenchOptions
from hil.plugins.planned_item import run_planned
from hil.plugins.run import Run
from hil.scenarios.execute import execute
from hil.store.reading import RunRecord, read
from hil.store.traces import read_trace
from hil.twin.adversary import Adversary
from hil.twin.instruments.supply import SimulatedSupply
from hil.twin.trouble import Trouble
from hil.twin.variation import Variation
from hil.twin.world import World

RIG = Path(__file__).parents[1] / "testplans" / "rigs" / "dosing-pump.yaml"
PLAN = f"""\
format: 1
plan: trouble
rig: {RIG}
scenarios:
  - id: first
    scenario: start
    speed: 1000 rpm
    hold: 1.5 s
    within: 2 s
    bands: {{success: {{exactly: 1}}, steady-error: {{min: -5 %, max: 5 %}}}}
  - id: second
    scenario: start
    speed: 1000 rpm
    hold: 0.2 s
    within: 2 s
    bands: {{success: {{exactly: 1}}}}
"""
#: Moments of the first item at which a trouble begins.
MOMENTS = ("before output-on", "output-on", "run-up", "at speed", "stopping")
#: What the board, which can still be heard, says of a supply that cannot be reached.
LINK = re.compile(
    r"the supply is not proven off, .*; the board read [\d.]+ V at its DC link [\d.]+ s later, as "
    r"with the output still on at 24 V"
)
LETTERS = {"p": Verdict.PASS, "b": Verdict.BENCH_FAULT, "u": Verdict.UNDECIDED}


@dataclass(frozen=True)
class Row:
    """One trouble and what must come of it at each moment, a letter of `LETTERS` for each."""

    kind: str
    expected: str
    duration: float | None = None
    value: float | None = None

    def trouble(self, at: float) -> Trouble:
        """At a time, s of the simulated bench."""
        given = {"duration": self.duration, "value": self.value}
        return Trouble(self.kind, at, **{k: v for k, v in given.items() if v is not None})

    @property
    def name(self) -> str:
        """For the table."""
        more = [f"{self.value:g}"] if self.value is not None else []
        more += [f"for {self.duration:g} s"] if self.duration is not None else []
        return " ".join([self.kind, *more])


#: What must come of each trouble, one letter a moment (`LETTERS`).
#: - Small delays and a damaged frame now and then do no harm: pass.
#: - A supply that reports an error, or reads a voltage that it was not set to, is not in order
#:   whenever that shows.
#: - A link or an instrument that cannot be used when it is needed is the bench's fault.
#: - A gap in the telemetry that ends by itself leaves the band undecided: missing data never pass.
#:   A command lost in it is the bench's fault: not every command may be sent twice.
#: - A board that is reset before it was told anything, or after it was stopped, has lost nothing;
#:   nor has a relay that will not close after it has closed, a refusal when nothing is set any
#:   more, a brake that has confirmed its release, or a voltmeter that no band and no limit uses.
ROWS = (
    Row("board-latency", "ppppp", value=0.005),
    Row("board-jitter", "ppppp", value=0.005),
    Row("board-late", "ppppp", duration=0.1),
    Row("board-late", "bbbbb", duration=3.0),
    Row("board-dropped", "bbbbb", value=20.0),
    Row("board-corrupted", "bbbbb", value=20.0),
    Row("board-corrupted", "ppppp", value=0.05),
    Row("board-duplicated", "bbbbb", value=20.0),
    Row("board-silent", "bbbbb"),
    Row("board-silent", "bbuup", duration=0.1),
    Row("board-reset", "ppbbp"),
    Row("board-unplugged", "bbbbb"),
    Row("board-clock-drift", "ppppp", value=100.0),
    Row("telemetry-frozen", "bbbbp"),
    Row("supply-drops", "pbbbb"),
    Row("supply-trips", "bbbbb"),
    Row("supply-stuck-off", "bpppp"),
    Row("supply-offset", "bbbbb", value=5.0),
    Row("supply-silent", "bbbbb"),
    Row("supply-error", "bbbbb"),
    Row("supply-refused", "bpppp"),
    Row("supply-lost", "bbbbb"),
    Row("supply-latency", "ppppp", value=0.02),
    Row("tachometer-silent", "bbbbb"),
    Row("tachometer-lost", "bbbbb"),
    Row("tachometer-latency", "ppppp", value=0.005),
    Row("brake-silent", "bbbbp"),
    Row("brake-lost", "bbbbp"),
)


@dataclass(frozen=True)
class Cell:
    """One run: what was done, and what came of it."""

    trouble: str
    moment: str
    at: float
    expected: str
    verdict: str
    reason: str
    rest: str
    supply_off: bool
    unsafe_said: bool
    link_said: bool
    record_whole: bool
    seconds: float

    @property
    def correct(self) -> bool:
        """Whether everything is as it must be."""
        safe = self.supply_off or (self.unsafe_said and self.link_said)
        return (
            self.verdict == self.expected
            and safe
            and self.record_whole
            and self.rest == Verdict.PASS.value
        )


@cache
def planned() -> tuple[Rig, tuple[PlannedItem, ...], Path]:
    """Rig, items and plan file."""
    folder = Path(tempfile.mkdtemp(prefix="troubles-"))
    file = folder / "trouble.plan.yaml"
    file.write_text(PLAN, encoding="utf-8")
    units = {kind: {n: d.unit for n, d in definitions(kind).items()} for kind in MEASURED}
    rig = load_rig(RIG)
    return rig, expand(load_plan(file), rig, units), file


@contextmanager
def benches(troubles: list[tuple[Trouble, ...]]) -> Iterator[list[tuple[World, list[bool]]]]:
    """Simulated benches made inside get these troubles in turn, those after them none.

    Yields each bench with whether its supply was on when it was put away.
    """
    original = simulate.world_for
    made: list[tuple[World, list[bool]]] = []

    def world_for(rig: Rig, seed: int | str, variation: Variation = simulate.AS_DESCRIBED) -> World:
        world = original(rig, seed, variation)
        left_on: list[bool] = []
        supply = next(i for i in world.instruments.values() if isinstance(i, SimulatedSupply))
        close = world.close

        def closing() -> None:
            if not world.closed:
                left_on.append(supply.on)
            close()

        world.close = closing  # type: ignore[method-assign]
        if len(made) < len(troubles):
            protocol = str(rig.twin.firmware.protocol)
            Adversary(world, troubles[len(made)], protocol=protocol).install()
        made.append((world, left_on))
        return world

    simulate.world_for = world_for
    try:
        yield made
    finally:
        simulate.world_for = original


def run_plan(out: Path) -> RunRecord:
    """Run the plan on the simulated bench as a session does, and read its record."""
    rig, items, file = planned()
    options = BenchOptions(bench="twin", rig=str(RIG), out=out, seed=1, resources={})
    run = Run(options, rig, [(item.id, file) for item in items], None)
    for item in items:
        run_planned(run, item)
    return read(run.finish("completed"))


@cache
def moments() -> dict[str, float]:
    """When the moments of the first item are, s of the simulated bench, from a run in order."""
    found: dict[str, float] = {}

    def listening(item, rig, bench, **more):  # type: ignore[no-untyped-def]
        done = execute(item, rig, bench, **more)
        if not found:
            marks = {mark.name: mark.t + bench.trace_start for mark in done.traces[0].marks}
            on, stop = marks["supply-on"], marks["stop"]
            command = next(marks[name] for name in ("command", "start", "run") if name in marks)
            found.update(
                zip(
                    MOMENTS,
                    (
                        bench.trace_start + 0.0005,
                        on + 0.0005,
                        command + 0.05,
                        stop - 0.9,
                        stop + 0.002,
                    ),
                    strict=True,
                )
            )
        return done

    with (
        patch.object(planned_item, "execute", listening),
        tempfile.TemporaryDirectory() as folder,
    ):
        run_plan(Path(folder))
    return found


def cell(row: Row, moment: str) -> Cell:
    """One run."""
    at = moments()[moment]
    expected = LETTERS[row.expected[MOMENTS.index(moment)]]
    begun = time.perf_counter()
    with tempfile.TemporaryDirectory() as folder, benches([(row.trouble(at),)]) as made:
        record = run_plan(Path(folder))
        first, second = record.results
        whole = (
            not record.unfinished
            and not record.interrupted
            and not record.never_begun
            and record.end is not None
            and all(
                read_trace(record.path / "traces" / t) for r in record.results for t in r.traces
            )
            and len(list((record.path / "serial").glob("*.log"))) == 2
        )
    return Cell(
        trouble=row.name,
        moment=moment,
        at=at,
        expected=expected.value,
        verdict=first.verdict.value,
        reason=first.reason,
        rest=second.verdict.value,
        supply_off=not any(any(left_on) for _, left_on in made),
        unsafe_said=any("the supply is not proven off" in note.text for note in record.notes),
        link_said=any(LINK.search(note.text) is not None for note in record.notes),
        record_whole=whole,
        seconds=time.perf_counter() - begun,
    )


def table(cells: list[Cell]) -> str:
    """Markdown: a row for each trouble, a column for each moment."""
    lines = ["| trouble | " + " | ".join(MOMENTS) + " |", "|---" * (len(MOMENTS) + 1) + "|"]
    rows: dict[str, list[Cell]] = {}
    for one in cells:
        rows.setdefault(one.trouble, []).append(one)
    for name, those in rows.items():
        said = [c.verdict if c.correct else f"**{c.verdict}, NOT {c.expected}**" for c in those]
        lines.append(f"| {name} | " + " | ".join(said) + " |")
    right = sum(one.correct for one in cells)
    away = sum(not one.supply_off for one in cells)
    lines += [
        "",
        f"{right} of {len(cells)} cells correct: verdict, supply off, record whole. In {away} of "
        f"them the supply could not be reached to switch it off; the run says so, and at which "
        "voltage the board still saw its DC link.",
    ]
    return "\n".join(lines) + "\n"


def main() -> None:
    """Run the campaign from the command line."""
    parser = argparse.ArgumentParser(prog="ci/troubles", description=__doc__)
    parser.add_argument("--only", default="", help="kinds whose name contains this")
    parser.add_argument("--json", type=Path)
    parser.add_argument("--markdown", type=Path)
    given = parser.parse_args()
    cells = []
    for row in ROWS:
        for moment in MOMENTS if given.only in row.name else ():
            cells.append(found := cell(row, moment))
            if not found.correct:
                print(f"WRONG {found}", flush=True)
    text = table(cells)
    print(text)
    if given.json is not None:
        whole = [{**asdict(one), "correct": one.correct} for one in cells]
        given.json.write_text(json.dumps(whole, indent=2) + "\n", encoding="utf-8")
    if given.markdown is not None:
        given.markdown.write_text(text, encoding="utf-8")
    sys.exit(0 if all(one.correct for one in cells) else 1)


if __name__ == "__main__":
    main()
