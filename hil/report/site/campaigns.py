"""Folders of campaigns as views: which seeded defects a plan caught, how healthy rigs spread."""

from __future__ import annotations

import csv
import json
import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from hil.core.errors import StoreError
from hil.report.made_with import version_words
from hil.store.cells import read as cell

_DEFECTS, _POPULATION = "defects-", "population-"


@dataclass(frozen=True, slots=True)
class DefectLine:
    """One seeded defect and what caught it first; `item` is "" if nothing did.

    `cells` is item -> verdict and whether it caught the defect, of the items that were run.
    """

    defect: str
    consequence: str
    item: str
    measure: str
    margin: str
    reason: str
    caught: int
    run: int
    chance: float | None
    cells: Mapping[str, tuple[str, bool]]


@dataclass(frozen=True, slots=True)
class DefectsView:
    """One campaign of seeded defects.

    Parameters
    ----------
    void : why it proves nothing, if so.
    lines : the defects of which something can be said.
    unsettled : the others, of a campaign that was interrupted.
    utc : when it began; `made_with` which version; `inputs` name -> SHA-256 of plan, rig files and
        sources; `library` how many defects that version knew for this firmware. All of it empty
        where an earlier version wrote it.
    """

    name: str
    plan: str
    rig: str
    seed: str
    whole: bool
    void: tuple[str, ...]
    items: tuple[str, ...]
    lines: tuple[DefectLine, ...]
    unsettled: tuple[str, ...] = ()
    utc: str = ""
    made_with: str = ""
    inputs: Mapping[str, str] = field(default_factory=dict)
    library: int = 0

    @property
    def escaped(self) -> tuple[DefectLine, ...]:
        """Defects that nothing caught."""
        return tuple(line for line in self.lines if not line.item)

    @property
    def day(self) -> str:
        """When it began, from its name."""
        return day_of(self.name)


@dataclass(frozen=True, slots=True)
class BandLine:
    """One band over healthy rigs: `values` are least, 5 %, median, 95 % and most, or ()."""

    item: str
    measure: str
    unit: str
    judged: int
    fails: int
    undecided: int
    bound: float
    values: tuple[float, ...]
    low: float | None
    high: float | None
    margin: float | None
    room: float | None
    examples: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class PopulationView:
    """One campaign over healthy rigs."""

    name: str
    plan: str
    rig: str
    seed: str
    rigs: int
    failed: int
    bound: float
    judgements: int
    undecided: int
    bands: tuple[BandLine, ...]

    @property
    def day(self) -> str:
        """When it began, from its name."""
        return day_of(self.name)


@dataclass(frozen=True, slots=True)
class Campaigns:
    """All campaigns found, newest first, and folders that could not be read, with the reason."""

    defects: tuple[DefectsView, ...] = ()
    population: tuple[PopulationView, ...] = ()
    unreadable: tuple[str, ...] = ()

    def also_unreadable(self, more: Iterable[str]) -> Campaigns:
        """With more that could not be read."""
        return replace(self, unreadable=(*more, *self.unreadable))


def campaigns_in(places: Iterable[Path]) -> Campaigns:
    """Campaigns in folders: each may be a campaign itself or hold several.

    What `hil defects --json FILE` wrote is a campaign, too: named itself, or in one of the folders.
    Of a campaign that is there as both the folder is read. An unfinished campaign (without its
    summary) is passed over; one that cannot be read is named.
    """
    places = list(places)
    defects: dict[str, DefectsView] = {}
    population: dict[str, PopulationView] = {}
    unreadable = []
    for folder in _folders(places):
        try:
            if folder.name.startswith(_DEFECTS):
                defects[folder.name] = read_defects(folder)
            else:
                population[folder.name] = read_population(folder)
        except StoreError as problem:
            unreadable.append(str(problem))
    for file, named in _files(places):
        try:
            view = read_defects_file(file)
        except StoreError as problem:
            # A folder may hold any other JSON; only what was named must be a campaign.
            if named:
                unreadable.append(str(problem))
            continue
        defects.setdefault(view.name, view)
    newest = sorted(defects.values(), key=lambda one: one.name, reverse=True)
    spread = sorted(population.values(), key=lambda one: one.name, reverse=True)
    return Campaigns(tuple(newest), tuple(spread), tuple(sorted(unreadable)))


def _folders(places: Iterable[Path]) -> list[Path]:
    found = []
    for place in places:
        for folder in (place, *(sorted(place.iterdir()) if place.is_dir() else ())):
            finished = (
                folder.name.startswith(_DEFECTS) and (folder / "matrix.json").is_file()
            ) or (folder.name.startswith(_POPULATION) and (folder / "summary.json").is_file())
            if finished:
                found.append(folder)
    return found


def _files(places: Iterable[Path]) -> list[tuple[Path, bool]]:
    """JSON files, and whether each was named itself."""
    found = []
    for place in places:
        if place.is_dir():
            found += [(file, False) for file in sorted(place.glob("*.json")) if file.is_file()]
        elif place.is_file():
            found.append((place, True))
    return found


def day_of(name: str) -> str:
    """Day and time in the name of a campaign: ``2026-03-01 22:15``; the name if it has none."""
    stamp = name.partition("-")[2]
    if len(stamp) < 16 or stamp[10:11] != "t":
        return name
    return f"{stamp[:10]} {stamp[11:13]}:{stamp[14:16]}"


def read_defects(folder: Path) -> DefectsView:
    """The campaign that `hil defects` left in `folder`.

    Raises
    ------
    StoreError
        If a file of it is missing or not as that command writes it.
    """
    file = folder / "matrix.json"
    return _defects(folder.name, _json(file), _cells(folder / "matrix.csv"), file)


def read_defects_file(file: Path) -> DefectsView:
    """The campaign that `hil defects --json` left in `file`.

    Raises
    ------
    StoreError
        If it is not as that command writes it.
    """
    content = _json(file)
    cells: dict[str, dict[str, tuple[str, bool]]] = {}
    try:
        name = str(content["folder"]).replace("\\", "/").rstrip("/").rpartition("/")[2]
        for cell in content.get("cells", ()):
            found = str(cell["verdict"]), cell["caught"] == "caught"
            cells.setdefault(str(cell["defect"]), {})[str(cell["item"])] = found
    except (KeyError, TypeError) as problem:
        raise StoreError(f"{file}: not a matrix of defects: {problem!r}") from problem
    return _defects(name, content, cells, file)


def _defects(
    name: str, content: Any, cells: Mapping[str, Mapping[str, tuple[str, bool]]], file: Path
) -> DefectsView:
    try:
        lines = tuple(
            DefectLine(
                str(row["defect"]),
                str(row["consequence"]),
                str(row["item"]),
                str(row["measure"]),
                str(row["margin_text"]),
                str(row["reason"]),
                int(row["caught_by_items"]),
                int(row["items_run"]),
                None if row["chance"] is None else float(row["chance"]),
                cells.get(str(row["defect"]), {}),
            )
            for row in content["defects"]
        )
        return DefectsView(
            name,
            str(content["plan"]),
            str(content["rig"]),
            str(content["seed"]),
            bool(content["whole"]),
            tuple(map(str, content["void"])),
            tuple(map(str, content["items"])),
            lines,
            tuple(map(str, content.get("unsettled", ()))),
            str(content.get("utc", "")),
            version_words(str(content.get("hil", "")), str(content.get("hil-code", ""))),
            {str(name): str(sha) for name, sha in dict(content.get("inputs", {})).items()},
            int(content.get("library", 0)),
        )
    except (KeyError, TypeError, ValueError) as problem:
        raise StoreError(f"{file}: not a matrix of defects: {problem!r}") from problem


def _cells(file: Path) -> dict[str, dict[str, tuple[str, bool]]]:
    """Defect -> item -> verdict, caught; nothing if the campaign was void and has no table."""
    if not file.is_file():
        return {}
    found: dict[str, dict[str, tuple[str, bool]]] = {}
    try:
        with file.open(encoding="utf-8", newline="") as text:
            for row in csv.DictReader(text, strict=True):
                verdict, caught = row["verdict"], row["caught"] == "caught"
                found.setdefault(cell(row["defect"]), {})[cell(row["item"])] = verdict, caught
    except (OSError, ValueError, KeyError, csv.Error) as problem:
        raise StoreError(f"{file}: not a table of defects: {problem!r}") from problem
    return found


def read_population(folder: Path) -> PopulationView:
    """The campaign that `hil population` left in `folder`.

    Raises
    ------
    StoreError
        If a file of it is missing or not as that command writes it.
    """
    asked, summary = _json(folder / "campaign.json"), _json(folder / "summary.json")
    try:
        return PopulationView(
            folder.name,
            str(asked["plan"]),
            str(asked["rig"]),
            str(asked["seed"]),
            int(summary["rigs"]),
            len(summary["failed_rigs"]),
            float(summary["fail_bound_of_a_rig"]),
            int(summary["judgements"]),
            int(summary["undecided"]),
            tuple(map(_band, summary["bands"])),
        )
    except (KeyError, TypeError, ValueError) as problem:
        raise StoreError(
            f"{folder / 'summary.json'}: not a summary of healthy rigs: {problem!r}"
        ) from problem


def _band(row: Mapping[str, Any]) -> BandLine:
    spread = row["spread"]
    names = ("least", "low", "median", "high", "most")
    low, high = row["limits"]
    return BandLine(
        str(row["item"]),
        str(row["measure"]),
        str(row["unit"]),
        int(row["judged"]),
        int(row["fails"]),
        int(row["undecided"]),
        float(row["fail_bound"]),
        () if spread is None else tuple(float(spread[name]) for name in names),
        _some(low),
        _some(high),
        _some(row["margin"]),
        _some(row["room"]),
        tuple(map(str, row["examples"])),
    )


def _some(value: Any) -> float | None:
    """A finite number, or None."""
    return None if value is None or not math.isfinite(float(value)) else float(value)


def _json(file: Path) -> Any:
    try:
        content = json.loads(file.read_bytes())
    except (OSError, ValueError) as problem:
        raise StoreError(f"{file}: not readable: {problem}") from problem
    if not isinstance(content, dict):
        raise StoreError(f"{file}: expected an object, found {type(content).__name__}")
    return content
