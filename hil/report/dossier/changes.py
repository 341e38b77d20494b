"""What a release is held against, compared with the release before: every change, and its sense."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from hil.core.band import Band, Rule
from hil.report.dossier.basis import Basis
from hil.report.numbers import limits

LOOSER, TIGHTER, BOTH, OTHER = "looser", "tighter", "looser and tighter", "changed"
NOTHING = "none"


@dataclass(frozen=True, slots=True)
class Change:
    """One change.

    Parameters
    ----------
    area : requirement, item, pass band, abort limit, file, tool.
    what : which one.
    sense : looser, tighter, looser and tighter, changed.
    where : items it concerns, if it concerns some.
    """

    area: str
    what: str
    old: str
    new: str
    sense: str
    where: tuple[str, ...] = ()


def changes(old: Basis, new: Basis) -> tuple[Change, ...]:
    """Every change from `old` to `new`; equal changes of several items are one."""
    found: dict[tuple[str, str, str, str, str], list[str]] = {}
    for one in _all(old, new):
        key = (one.area, one.what, one.old, one.new, one.sense)
        found.setdefault(key, []).extend(one.where)
    return tuple(Change(*key, where=tuple(where)) for key, where in found.items())


def _all(old: Basis, new: Basis) -> Iterator[Change]:
    yield from _requirements(old, new)
    yield from _items(old, new)
    for name, before, after in _both(old["limits"], new["limits"]):
        sense = _sense_of_texts(before, after)
        yield Change("abort limit", name, _list(before), _list(after), sense)
    for name, before, after in _both(old["inputs"], new["inputs"]):
        yield Change("file", name, _hashes(before), _hashes(after), OTHER)
    if old["harness"] != new["harness"]:
        yield Change("tool", "hil", _list(old["harness"]), _list(new["harness"]), OTHER)


def _both(old: Mapping[str, Any], new: Mapping[str, Any]) -> Iterator[tuple[str, Any, Any]]:
    """Names in either with what they were and are (None: was or is not there), if that differs."""
    for name in dict.fromkeys([*old, *new]):
        if old.get(name) != new.get(name):
            yield name, old.get(name), new.get(name)


def _list(values: list[str] | None) -> str:
    return " / ".join(values) if values else NOTHING


def _hashes(values: list[str] | None) -> str:
    return _list([value[:16] for value in values]) if values else NOTHING


# -- requirements ------------------------------------------------------------------------------


def _requirements(old: Basis, new: Basis) -> Iterator[Change]:
    before = {one["id"]: one for one in old["requirements"]}
    after = {one["id"]: one for one in new["requirements"]}
    for name, was, now in _both(before, after):
        if was is None or now is None:
            sense = TIGHTER if was is None else LOOSER
            yield Change(
                "requirement", name, was["text"] if was else NOTHING,
                now["text"] if now else NOTHING, sense,
            )  # fmt: skip
            continue
        for key, a, b in _both(was, now):
            yield Change(
                "requirement", f"{name} {key}", _said(a), _said(b), _SENSES.get(key, _other)(a, b)
            )


def _said(value: Any) -> str:
    if isinstance(value, list):
        return "; ".join(map(str, value))
    return NOTHING if value is None else f"{value:g}" if isinstance(value, float) else str(value)


def _other(_old: Any, _new: Any) -> str:
    return OTHER


def _more_is_tighter(old: float | None, new: float | None) -> str:
    return TIGHTER if (new or 0.0) > (old or 0.0) else LOOSER


def _evidence(_old: str, new: str) -> str:
    return TIGHTER if new == "bench" else LOOSER


_SENSES: dict[str, Callable[[Any, Any], str]] = {
    "size": _more_is_tighter,
    "at-least": _more_is_tighter,
    "confidence": _more_is_tighter,
    "evidence": _evidence,
}


# -- items and bands ---------------------------------------------------------------------------


def _items(old: Basis, new: Basis) -> Iterator[Change]:
    before = {(one["plan"], one["item"]): one for one in old["items"]}
    after = {(one["plan"], one["item"]): one for one in new["items"]}
    for key in dict.fromkeys([*before, *after]):
        was, now = before.get(key), after.get(key)
        plan, item = key
        if was is None or now is None:
            there, gone = f"in plan {plan}", "not there"
            yield Change(
                "item", item, there if was else gone, there if now else gone,
                LOOSER if now is None else TIGHTER,
            )  # fmt: skip
            continue
        for name, a, b in _both(_merged(was["conditions"]), _merged(now["conditions"])):
            yield Change("item", f"condition {name}", _list(a), _list(b), OTHER, (item,))
        for measure, a, b in _both(_bands(was["bands"]), _bands(now["bands"])):
            yield Change(
                "pass band", measure, _band_words(a), _band_words(b), _sense(a, b), (item,)
            )


def _merged(conditions: list[dict[str, str]]) -> dict[str, list[str]]:
    found: dict[str, list[str]] = {}
    for one in conditions:
        for name, value in one.items():
            values = found.setdefault(name, [])
            if value not in values:
                values.append(value)
    return found


def _bands(told: list[dict[str, Any]]) -> dict[str, list[Band]]:
    """Measure -> its bands; which requirement a band is for is no part of its limits."""
    found: dict[str, list[Band]] = {}
    for one in told:
        band = Band(
            one["measure"], one["low"], one["high"], one["unit"], Rule(one["rule"]),
            one["requirement"], one["guard"], one["risk"],
        )  # fmt: skip
        found.setdefault(band.measure, []).append(band)
    return found


def _band_words(bands: list[Band] | None) -> str:
    if not bands:
        return NOTHING
    return " / ".join(
        f"{limits(band)} ({band.rule_text})"
        + (f" for {band.requirement}" if band.requirement else "")
        for band in bands
    )


def _sense(old: list[Band] | None, new: list[Band] | None) -> str:
    """Sense of a change of the bands of one measure."""
    if not old or not new:
        return TIGHTER if not old else LOOSER
    if len(old) > 1 or len(new) > 1:
        return OTHER
    (was,), (now,) = old, new
    # At least 0 and at least 5: the higher lower limit is the tighter one.
    steps = [
        _limit_sense(was.low, now.low, higher=TIGHTER, lower=LOOSER),
        _limit_sense(was.high, now.high, higher=LOOSER, lower=TIGHTER),
        _rule_sense(was, now),
    ]
    senses = {step for step in steps if step}
    if not senses:
        return OTHER  # another requirement, another unit
    return senses.pop() if len(senses) == 1 else BOTH


def _limit_sense(old: float | None, new: float | None, *, higher: str, lower: str) -> str:
    if old == new:
        return ""
    if old is None or new is None:
        return TIGHTER if old is None else LOOSER
    return higher if new > old else lower


def _rule_sense(old: Band, new: Band) -> str:
    """A guarded rule asks for more than a simple one, and a wider guard band for more still."""
    if old.rule is not new.rule:
        return TIGHTER if new.rule is Rule.GUARDED else LOOSER
    if old.risk != new.risk:
        if old.risk is None or new.risk is None:
            return BOTH
        return TIGHTER if new.risk < old.risk else LOOSER
    if old.guard != new.guard:
        return TIGHTER if new.guard > old.guard else LOOSER
    return ""


# -- abort limits ------------------------------------------------------------------------------

_NUMBER = re.compile(r"([-+]?\d[\d.e+-]*) (\S.*)")


def _sense_of_texts(old: list[str] | None, new: list[str] | None) -> str:
    """Sense of a change of an abort limit such as ``15 A``; all of them are upper limits."""
    if not old or not new:
        return TIGHTER if not old else LOOSER
    if len(old) != 1 or len(new) != 1:
        return OTHER
    was, now = _NUMBER.fullmatch(old[0]), _NUMBER.fullmatch(new[0])
    if was is None or now is None or was[2] != now[2]:
        return OTHER
    return LOOSER if float(now[1]) > float(was[1]) else TIGHTER
