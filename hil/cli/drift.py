"""``hil drift``: what changed between builds and nights, told in the terminal."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from hil.cli import shared
from hil.core.record import NOT_REPORTED

if TYPE_CHECKING:
    from hil.report.history import Watch
    from hil.store.index import RunRow

EXIT_CHANGED, EXIT_UNANSWERED = 1, 2
#: The share is a probability of crying wolf; above a half it says nothing.
_MOST = 0.5


@click.command("drift")
@shared.database
@shared.rig_name
@shared.evidence
@click.option("--item", help="Only this item.")
@click.option("--measure", help="Only this measure.")
@click.option("--since", metavar="BUILD",
              help="Only changes from the first run of this build on.")  # fmt: skip
@click.option("--false-alarms", default="1 %", show_default=True, metavar="SHARE",
              help="Probability of telling of any change where none is.")  # fmt: skip
@shared.json_file("Write everything as JSON.")
def drift(
    database: str | None,
    *,
    rig: str | None,
    evidence: str | None,
    item: str | None,
    measure: str | None,
    since: str | None,
    false_alarms: str,
    json_file: Path | None,
) -> int:
    """Tell what changed between builds and nights: where, by how much, from which build on.

    Reads the index that `hil index` makes. Exit code 0 when nothing changed and the latest night
    is as those before, 1 when something did; 2 when the question cannot be answered, as long as
    no series has runs enough, too.
    """
    from hil.cli.drift_told import facts, parts_of, told
    from hil.core.errors import StoreError
    from hil.report.history import changes_of
    from hil.store.index import DEFAULT, open_index
    from hil.verdicts.changes_found import ChangeSettings

    settings, place = ChangeSettings(_share(false_alarms)), database or DEFAULT
    try:
        with open_index(place, create=False) as index, index.snapshot():
            found = index.all_series(rig=rig, evidence=evidence, item=item, measure=measure)
            runs = index.runs(rig=rig, evidence=evidence)
            rigs = sorted({run.rig for run in index.runs()})
    except StoreError as error:
        # Exit code 1 says that something changed: an index that cannot be read must not.
        raise click.UsageError(str(error)) from error
    if not found:
        if rig is not None and rig not in rigs:
            known = f"its rigs are {', '.join(rigs)}" if rigs else "it is empty"
            raise click.UsageError(f"the index {place} has no run of rig {rig!r}; {known}")
        asked = {"rig": rig, "evidence": evidence, "item": item, "measure": measure}
        said = ", ".join(f"{name} {value}" for name, value in asked.items() if value is not None)
        raise click.UsageError(f"the index {place} holds no figures{f' of {said}' if said else ''}")
    from_utc = _first_utc(runs, since)
    benches = sorted({(key.rig, key.evidence) for key in found})
    watches: dict[tuple[str, str], Watch] = {
        bench: changes_of(
            (one for key, one in found.items() if (key.rig, key.evidence) == bench), settings
        )
        for bench in benches
    }
    parts = parts_of(runs)
    told(watches, from_utc, {run.run: run.utc for run in runs}, parts)
    if json_file is not None:
        data = [facts(*bench, watch, from_utc, parts) for bench, watch in watches.items()]
        shared.write_json(json_file, data)
    if any(watch.since(from_utc) or watch.alarms for watch in watches.values()):
        return EXIT_CHANGED
    return 0 if any(watch.judged for watch in watches.values()) else EXIT_UNANSWERED


def _first_utc(runs: list[RunRow], build: str | None) -> str:
    """When that build first ran; "" for all of the time."""
    if build is None:
        return ""
    began = [run.utc for run in runs if run.build == build]
    if not began:
        known = list(dict.fromkeys(run.build for run in sorted(runs, key=lambda run: run.utc)))
        last = ", ".join(name or NOT_REPORTED for name in known[-5:]) or "none"
        raise click.BadParameter(
            f"no run of build {build!r}; the last builds are {last}", param_hint="--since"
        )
    return min(began)


def _share(text: str) -> float:
    from hil.plan.units import convert

    try:
        found = convert(text if "%" in text else f"{text} %", "ratio") / 100.0
    except ValueError as error:
        raise click.BadParameter(str(error), param_hint="--false-alarms") from error
    if not 0.0 < found <= _MOST:
        raise click.BadParameter(
            f"expected above 0 % and at most {100.0 * _MOST:g} %, found {text}",
            param_hint="--false-alarms",
        )
    return found
