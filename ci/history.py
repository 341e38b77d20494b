"""Years of nights that never were: run folders in the format of real ones, made from a seed.

What a real history has is in it: builds and commits that change every few nights, scatter from
night to night and from repeat to repeat, nights without a run, runs that were cut short, benches
that had a fault, firmware that failed. On top of that chosen measures change at chosen nights, by
a chosen number of standard deviations: what a search for changes has to find, and the only thing.

    python -m ci.history OUT --nights 365 --items 200 --seed 1 --changes 5
"""

from __future__ import annotations

import argparse
import hashlib
import json
import shutil
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np

from ci.history_items import Item, items_of, plan_text, trace_of
from ci.history_record import Night, result_of, start_of, utc

BEGIN = datetime(2025, 3, 1, 21, 0, tzinfo=UTC)
#: A new build comes with this probability each night.
NEW_BUILD = 0.3


@dataclass(frozen=True, slots=True)
class Change:
    """One measure of one item is another from one night on, as if a build had changed it.

    Parameters
    ----------
    item, measure : which; exact names.
    night : first night of it, from 0. It comes with a new build.
    sigmas : size in standard deviations between nights, upwards if positive.
    """

    item: str
    measure: str
    night: int
    sigmas: float


@dataclass(frozen=True, slots=True)
class History:
    """What was made, and what is in it to be found.

    Parameters
    ----------
    folders : the run folders, in order of time.
    nights : number of the night of each folder; nights without a run are missing.
    builds, commits : of each folder.
    changes : what was changed, also those of nights without a run (visible from the next).
    items : names of all items.
    """

    folders: tuple[Path, ...]
    nights: tuple[int, ...]
    builds: tuple[str, ...]
    commits: tuple[str, ...]
    changes: tuple[Change, ...]
    items: tuple[str, ...]

    def first_build(self, change: Change) -> str:
        """The build at which a change shows first."""
        return next(b for n, b in zip(self.nights, self.builds, strict=True) if n >= change.night)


def make_history(
    out: Path | str,
    nights: int = 30,
    items: int = 20,
    seed: int = 1,
    changes: int | Sequence[Change] = 3,
    *,
    repeats: int = 1,
    simulated: bool = True,
    rig: str = "dosing-pump",
    first_night: int = 0,
    gap: float = 0.03,
    trouble: float = 0.002,
    cut: float = 0.01,
    traces: int = 0,
    failing: Sequence[str] = (),
) -> History:
    """Write run folders below `out`; equal arguments give equal bytes.

    Parameters
    ----------
    nights, items, repeats : how many; an item has 14 measures a repeat, 3 of them without a band.
    changes : what to change, or how many to draw (items, measures, nights, 3 to 8 sigmas).
    simulated, rig : as the records have it.
    first_night : nights before this one are drawn but not written: a history is continued by a
        second call with the same seed, more nights and `History.changes` of the first.
    gap : probability of a night without a run.
    trouble : of an item that fails; half as often its bench has a fault and it has no measures.
    cut : of a run that was cut short by a power loss, with the last item begun and not ended.
    traces : so many of the last nights have a trace for each item.
    failing : scenarios that fail every night.
    """
    out = Path(out)
    plan = items_of(items, seed)
    drawn = _drawn(changes, plan, nights, seed) if isinstance(changes, int) else tuple(changes)
    known = {(item.name, spread.measure) for item in plan for spread in item.spreads}
    if wrong := [c for c in drawn if (c.item, c.measure) not in known]:
        raise ValueError(f"no such item and measure: {wrong[0].item} {wrong[0].measure}")
    out.mkdir(parents=True, exist_ok=True)
    made: list[tuple[Path, int, str, str]] = []
    generation = 0
    for night in range(nights):
        chance = np.random.default_rng((seed, 1, night))
        new = chance.random() < NEW_BUILD or any(c.night == night for c in drawn)
        generation += bool(new and night)
        commit = hashlib.sha1(f"{seed} {generation}".encode(), usedforsecurity=False).hexdigest()
        build = commit[:8].upper()
        missing, ends = chance.random() < gap, chance.random() >= cut
        if missing or night < first_night:
            continue
        last = len(plan) if ends else int(chance.integers(1, len(plan) + 1))
        folder = _write(
            out,
            Night(night, seed, build, commit, simulated, rig, repeats, trouble, tuple(failing)),
            plan,
            [c for c in drawn if c.night <= night],
            last=last,
            ends=ends,
            traces=night >= nights - traces,
        )
        made.append((folder, night, build, commit))
    return History(
        tuple(folder for folder, *_ in made),
        tuple(night for _, night, *_ in made),
        tuple(build for *_, build, _ in made),
        tuple(commit for *_, commit in made),
        drawn,
        tuple(item.name for item in plan),
    )


def _drawn(number: int, plan: Sequence[Item], nights: int, seed: int) -> tuple[Change, ...]:
    chance = np.random.default_rng((seed, 2))
    free = [(i.name, s.measure) for i in plan for s in i.spreads if s.scatter > 0.0]
    picked = chance.permutation(len(free))[:number]
    first, last = max(1, nights // 5), max(2, nights - nights // 5)
    return tuple(
        Change(item, measure, int(chance.integers(first, last)), _either_way(chance))
        for item, measure in (free[n] for n in picked)
    )


def _either_way(chance: np.random.Generator) -> float:
    return round(float(chance.uniform(3.0, 8.0) * chance.choice([-1.0, 1.0])), 2)


def _write(
    out: Path,
    night: Night,
    plan: Sequence[Item],
    changes: Sequence[Change],
    *,
    last: int,
    ends: bool,
    traces: bool,
) -> Path:
    """One run folder; written past the store, which forces every line to the disk."""
    begun = BEGIN + timedelta(days=night.number)
    suffix = hashlib.sha256(f"{night.seed} {night.number}".encode()).hexdigest()[:4]
    folder = out / f"{begun:%Y-%m-%dt%H-%M-%Sz}-{suffix}"
    if folder.exists():
        shutil.rmtree(folder)
    for part in ("traces", "serial", "inputs"):
        (folder / part).mkdir(parents=True)
    texts = {"nightly.plan.yaml": plan_text(plan), f"{night.rig}.yaml": f"rig: {night.rig}\n"}
    for name, text in texts.items():
        (folder / "inputs" / name).write_text(text, encoding="utf-8")
    hashes = {name: hashlib.sha256(text.encode()).hexdigest() for name, text in texts.items()}
    chance = np.random.default_rng((night.seed, 3, night.number))
    lines = [start_of(folder.name, begun, night, plan, hashes)]
    counts: dict[str, int] = {}
    at = begun
    for position, item in enumerate(plan[:last], start=1):
        lines.append(
            {"kind": "item-start", "item": item.name, "utc": utc(at), "position": position,
             "of": len(plan)}
        )  # fmt: skip
        away = {c.measure: c.sigmas for c in changes if c.item == item.name}
        entry = result_of(item, away, night, chance, utc(at))
        at += timedelta(seconds=8.0)
        if not ends and position == last:
            break
        if traces and entry["measures"]:
            name = f"{item.name}.1.parquet"
            (folder / "traces" / name).write_bytes(trace_of(item, chance))
            entry["traces"] = [name]
        counts[entry["verdict"]] = counts.get(entry["verdict"], 0) + 1
        lines.append(entry)
    if ends:
        end = {"reason": "completed", "counts": counts, "identities": lines[0]["identities"]}
        lines.append({"kind": "run-end", "utc": utc(at), **end})
    text = "".join(json.dumps(line, separators=(",", ":")) + "\n" for line in lines)
    (folder / "record.jsonl").write_bytes(text.encode("ascii"))
    return folder


def main() -> None:
    """Make a history and say what is in it."""
    parser = argparse.ArgumentParser(prog="python -m ci.history")
    parser.add_argument("out", type=Path)
    for name, default in (("nights", 30), ("items", 20), ("seed", 1), ("changes", 3)):
        parser.add_argument(f"--{name}", type=int, default=default)
    for name, default in (("repeats", 1), ("traces", 0)):
        parser.add_argument(f"--{name}", type=int, default=default)
    given = vars(parser.parse_args())
    made = make_history(given.pop("out"), **given)
    print(f"{len(made.folders)} runs of {len(made.items)} items, {len(set(made.builds))} builds")
    for change in made.changes:
        print(json.dumps({**asdict(change), "build": made.first_build(change)}))


if __name__ == "__main__":
    main()
