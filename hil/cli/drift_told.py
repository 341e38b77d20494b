"""History in words: what changed, by build, and what the latest night says."""

from __future__ import annotations

import math
import textwrap
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import asdict
from itertools import groupby
from typing import Any

from rich.console import Console
from rich.text import Text

from hil.core.count import many
from hil.core.record import NOT_REPORTED
from hil.report.history import ChangeRow, Effect, Latest, LatestRow, Watch
from hil.report.numbers import fixed, plain, share
from hil.report.site.views import part_words
from hil.store.index.rows import RunRow
from hil.verdicts.changes import nights_needed
from hil.verdicts.changes_found import ChangeSettings

_WIDEST = 100
#: Series named one by one, where more than that are counted only.
_NAMED = 5
_BAD = (Effect.NOW_FAILS, Effect.STILL_FAILS, Effect.WORSE)


def told(
    watches: Mapping[tuple[str, str], Watch],
    from_utc: str,
    begun: Mapping[str, str],
    parts: Mapping[str, str],
) -> None:
    """Print what changed on each bench from that time on; "" is all of the time.

    Parameters
    ----------
    begun : run -> when it began.
    parts : as `parts_of` has them.
    """
    console = Console(highlight=False)
    width = min(console.width, _WIDEST)
    for number, ((rig, evidence), watch) in enumerate(watches.items()):
        if number:
            console.print()
        for text, indent, style in _lines(rig, evidence, watch, from_utc, begun, parts):
            margin = " " * indent
            wrapped = textwrap.fill(
                text, width, initial_indent=margin, subsequent_indent=margin,
                break_on_hyphens=False, break_long_words=False,
            )  # fmt: skip
            console.print(Text(wrapped, style=style), soft_wrap=True)


#: What is said, how far it is indented, and its style.
_Line = tuple[str, int, str]


def parts_of(runs: Sequence[RunRow]) -> dict[str, str]:
    """Run -> what keeps it from being known as a whole one."""
    return {row.run: part_words(row.deselected) for row in runs if row.deselected != 0}


def _lines(
    rig: str,
    evidence: str,
    watch: Watch,
    from_utc: str,
    begun: Mapping[str, str],
    parts: Mapping[str, str],
) -> Iterator[_Line]:
    if evidence == "simulated":
        yield "SIMULATED: no motor turned.", 0, ""
    yield _watched(rig, watch), 0, "bold"
    changes = watch.since(from_utc)
    for (run, build, commit), rows in groupby(changes, key=_first_seen):
        yield "", 0, ""
        yield f"{_build(build, commit)}, from {_day(begun[run])} on", 0, "bold"
        for row in rows:
            yield from _change(row, watch)
    yield "", 0, ""
    yield _summary(watch, changes, from_utc), 0, ""
    yield from _latest(watch, parts)


def _first_seen(row: ChangeRow) -> tuple[str, str, str]:
    return row.run, row.build, row.commit


def _watched(rig: str, watch: Watch) -> str:
    runs = {
        run: utc[:10]
        for history in watch.histories
        for run, utc in zip(history.nights.run, history.nights.utc, strict=True)
    }
    days = sorted(runs.values())
    series = many(len(watch.histories), "series")
    return f"{rig}: {series} in {many(len(runs), 'run')}, {days[0]} to {days[-1]}"


def _change(row: ChangeRow, watch: Watch) -> Iterator[_Line]:
    unit = _unit(row.key.unit)
    half = 0.5 * (row.size_high - row.size_low)
    places = _places(half, row.size)
    yield f"{row.key.item}: {row.key.measure}", 2, ""
    size = f"{_signed(row.size, places)} ± {fixed(half, places)}{unit}{_percent(row)}"
    yield (
        f"{fixed(row.before, places)} → {fixed(row.after, places)}{unit} "
        f"({size}, {_sigmas(row.sigma)})",
        4,
        "",
    )
    yield _against_band(row), 4, "red" if row.effect in _BAD else ""
    yield _how_sure(row, watch), 4, ""
    if row.same_build:
        name = _build(row.build, row.commit)
        yield f"The firmware stayed the same ({name}): look at the bench and the room.", 4, ""
    elif row.build_good or row.build_bad:
        good, bad = (row.build_good, row.commit_good), (row.build_bad, row.commit_bad)
        yield f"Last firmware without: {_name(*good)}. Surely with it: {_name(*bad)}.", 4, ""


def _against_band(row: ChangeRow) -> str:
    if row.margin_before is None or row.margin_after is None:
        return "No band."
    unit = _unit(row.key.unit)
    if row.margin_after >= 0.0:
        now = f"{plain(row.margin_after, 3)}{unit} to spare"
    else:
        now = f"{plain(-row.margin_after, 3)}{unit} beyond the limit"
    was = "" if row.margin_before < 0.0 else f", {plain(row.margin_before, 3)}{unit} before"
    text = f"{row.effect.value.capitalize()}: {now}{was}"
    if row.failed_before > 0.0 or row.failed_after > 0.0:
        text += f"; {_per_cent(row.failed_before)} failed before, {_per_cent(row.failed_after)} now"
    return f"{text}."


def _how_sure(row: ChangeRow, watch: Watch) -> str:
    text = f"By chance: {share(row.p)}. Began in this run: {share(row.probability)}"
    if row.earliest == row.latest:
        return f"{text}."
    runs = next(h.nights.run for h in watch.histories if h.key == row.key)
    return f"{text}; 95 %: {runs[row.earliest]} to {runs[row.latest]}."


def _summary(watch: Watch, changes: Sequence[ChangeRow], from_utc: str) -> str:
    since = f" since {_day(from_utc)}" if from_utc else ""
    where = len({row.key for row in changes})
    if changes:
        text = (
            f"{many(len(changes), 'change')} in {where} of {many(watch.judged, 'series')}{since}."
        )
    elif watch.judged:
        text = f"Nothing changed{since}: {many(watch.judged, 'series')} watched."
    else:
        text = f"Nothing can be told yet{since}: no series is long enough to be judged."
        if any(len(history.nights) > 1 for history in watch.histories):
            text += " What two runs have in common can be compared in the site (hil site)."
    if watch.judged:
        text += (
            f" Where nothing changes at all, one look in {1.0 / watch.false_share:.0f} still "
            "tells of a change."
        )
    short = len(watch.histories) - watch.judged
    if short:
        needed = nights_needed(max(1, watch.judged), ChangeSettings(watch.false_share))
        text += (
            f" {many(short, 'series')} not judged: they never vary, or have fewer than "
            f"{needed} nights."
        )
    return text


def _latest(watch: Watch, parts: Mapping[str, str]) -> Iterator[_Line]:
    """What the latest run of each plan says; that of one plan says nothing of another's items."""
    plans: dict[str, list[LatestRow]] = {}
    for history in watch.histories:
        plans.setdefault(history.key.plan, []).append(history.latest)
    for plan, rows in plans.items():
        yield from _latest_of(rows, watch, f" of plan {plan}" if len(plans) > 1 else "", parts)


def _latest_of(
    rows: Sequence[LatestRow], watch: Watch, whose: str, parts: Mapping[str, str]
) -> Iterator[_Line]:
    here = [row for row in rows if row.state is not Latest.ABSENT]
    if not here:
        return
    last = max(here, key=lambda row: row.utc)
    states = {state: [row for row in rows if row.state is state] for state in Latest}
    mine = {row.key for row in rows}
    alarms = [row for row in watch.alarms if row.key in mine]
    odd = [row for row in watch.odd if row.key in mine]
    quiet = len(states[Latest.STEADY]) + len(states[Latest.ODD])
    judged = quiet + len(alarms)
    says = (
        f"{quiet} of {many(judged, 'series')} as before."
        if judged
        else "nothing can be told of it yet."
    )
    part = f", {parts[last.run]}" if last.run in parts else ""
    yield f"Latest run{whose} {last.run} ({_build(last.build, last.commit)}{part}): {says}", 0, ""
    for row in alarms:
        yield _alarm(row, watch), 2, "red"
    if odd:
        names = ", ".join(f"{row.key.item} {row.key.measure}" for row in odd[:_NAMED])
        more = f" and {len(odd) - _NAMED} more" if len(odd) > _NAMED else ""
        yield f"Beyond all runs before, in this one alone: {names}{more}.", 2, ""
    for state, why in (
        (Latest.TOO_SHORT, "not judged: too few runs, or never varying"),
        (Latest.ABSENT, "not in this run"),
    ):
        if states[state]:
            yield f"{many(len(states[state]), 'series')} {why}.", 2, ""


def _alarm(row: LatestRow, watch: Watch) -> str:
    where = f"{row.key.item}: {row.key.measure}"
    if row.state is Latest.NO_VALUE:
        return f"{where} has no value, where it had one before."
    away = f"{plain(row.value)}{_unit(row.key.unit)}, {plain(row.level)} before"
    if row.state is Latest.CREEPING:
        nights = next(h.nights for h in watch.histories if h.key == row.key)
        return f"{where} creeps away since {nights.run[row.since]}: {away}."
    return f"{where} lies far out for runs in a row: {away} ({_sigmas(row.sigma)})."


def facts(
    rig: str, evidence: str, watch: Watch, from_utc: str, parts: Mapping[str, str]
) -> dict[str, Any]:
    """The same as data, for ``--json``; null where there is no number."""
    runs = {run: None for history in watch.histories for run in history.nights.run.tolist()}
    return {
        "rig": rig,
        "evidence": evidence,
        "series": len(watch.histories),
        "judged": watch.judged,
        "false-share": watch.false_share,
        "since": from_utc,
        "partial": {run: parts[run] for run in runs if run in parts},
        "changes": [_plain(asdict(row)) for row in watch.since(from_utc)],
        "latest": [_plain(asdict(history.latest)) for history in watch.histories],
        "scatter": [
            {
                "item": history.key.item,
                "measure": history.key.measure,
                "within": _finite(history.within),
                "between": _finite(history.between),
            }
            for history in watch.histories
        ],
    }


def _plain(row: dict[str, Any]) -> dict[str, Any]:
    flat = {**row.pop("key"), **row}
    return {name.replace("_", "-"): _finite(value) for name, value in flat.items()}


def _finite(value: Any) -> Any:
    return None if isinstance(value, float) and not math.isfinite(value) else value


def _build(build: str, commit: str) -> str:
    return f"build {_name(build, commit)}"


def _name(build: str, commit: str) -> str:
    name = build or NOT_REPORTED
    return f"{name}, commit {commit[:12]}" if commit else name


def _day(utc: str) -> str:
    return utc[:16].replace("T", " ")


def _unit(unit: str) -> str:
    return "" if unit == "1" else f" {unit}"


def _per_cent(part: float) -> str:
    return "none" if math.isnan(part) else f"{100.0 * part:.0f} %"


def _percent(row: ChangeRow) -> str:
    if not row.before or row.key.unit == "%":
        return ""
    return f", {_signed(100.0 * row.size / abs(row.before), 0)} %"


def _signed(value: float, places: int) -> str:
    text = fixed(value, places)
    return text if text.startswith("-") else f"+{text}"


def _sigmas(sigma: float) -> str:
    if not math.isfinite(sigma):
        return "no scatter before"
    return f"{abs(sigma):.1f} standard deviations"


def _places(half: float, size: float) -> int:
    """Decimals that show the interval to two digits, or without one the size to three."""
    shown, digits = (half, 2) if half > 0.0 else (abs(size), 3)
    return digits - 1 - math.floor(math.log10(shown)) if shown > 0.0 else 3
