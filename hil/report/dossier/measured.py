"""What was measured for a release, held against the release before.

Simulated evidence and that of the bench are apart all the way: the two are never compared.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from types import MappingProxyType

from hil.core.measure import Measure
from hil.core.record import ItemResult
from hil.core.verdict import Judgement, Verdict, combine
from hil.report.dossier.evidence import SAYS_NOTHING
from hil.report.items import Item
from hil.verdicts.moved import LITTLE, Mean, Move, Scatter, Sense, mean_of, moved, share_left


@dataclass(frozen=True, slots=True)
class Source:
    """A run that was measured in; `doubts`: what speaks against it."""

    run: str
    simulated: bool
    items: Sequence[Item]
    doubts: Sequence[str] = ()


@dataclass(frozen=True, slots=True)
class Key:
    """One judged measure of one item, of one kind of evidence."""

    plan: str
    item: str
    measure: str
    simulated: bool

    @property
    def other(self) -> Key:
        """The same from the other kind of evidence."""
        return Key(self.plan, self.item, self.measure, not self.simulated)


@dataclass(slots=True)
class Gathered:
    """All repetitions of one measure, whichever run they are of.

    A repetition that several bands judge is one value.
    """

    values: dict[tuple[str, int, int], Measure] = field(default_factory=dict)
    judgements: list[Judgement] = field(default_factory=list)

    @property
    def mean(self) -> Mean | None:
        """Mean of the repetitions that have a value, None without any."""
        present = [one for one in self.values.values() if one.value is not None]
        return mean_of(present) if present else None

    @property
    def lacking(self) -> int:
        """Repetitions without a value."""
        return sum(one.value is None for one in self.values.values())


@dataclass(frozen=True, slots=True)
class Measured:
    """What was measured for one release; `doubted`: names of runs in doubt."""

    of: Mapping[Key, Gathered]
    doubted: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Row:
    """A measure of an item, then and now.

    Parameters
    ----------
    then, now : means of the repetitions, None without a value.
    lacking : repetitions without a value, then and now.
    move : None if nothing is compared; `apart` says why.
    nearest : the judgement of now that is nearest to its limit, and what is left of the span of
        its band in %, None where there is no proportion.
    verdict : the worst of all judgements of now.
    earlier : scatter between earlier runs, where it was used.
    """

    key: Key
    then: Mean | None
    now: Mean | None
    lacking: tuple[int, int]
    move: Move | None
    apart: str
    nearest: Judgement
    share: float | None
    verdict: Verdict
    earlier: Scatter | None = None

    @property
    def towards(self) -> bool:
        """It moved towards its limit by more than its uncertainty."""
        return self._beyond(Sense.TOWARDS)

    @property
    def away(self) -> bool:
        """It moved away from its limit by more than its uncertainty."""
        return self._beyond(Sense.AWAY)

    @property
    def open(self) -> bool:
        """It differs by more than is known of one start: not decidable without a repetition."""
        return self.move is not None and self.move.open

    @property
    def little(self) -> bool:
        """It passes, and little of its band is left."""
        return self.verdict is Verdict.PASS and self.share is not None and self.share < LITTLE

    def _beyond(self, sense: Sense) -> bool:
        return self.move is not None and bool(self.move.beyond) and self.move.sense is sense


@dataclass(frozen=True, slots=True)
class Compared:
    """Every judged measure of a release, the worst first.

    Parameters
    ----------
    before : whether there is a release before.
    doubted : runs in doubt, then and now.
    """

    rows: tuple[Row, ...]
    before: bool
    doubted: tuple[tuple[str, ...], tuple[str, ...]] = ((), ())

    @property
    def both(self) -> tuple[Row, ...]:
        """Rows that are compared."""
        return tuple(row for row in self.rows if row.move is not None)

    @property
    def notable(self) -> tuple[Row, ...]:
        """Rows that call for a look."""
        return tuple(row for row in self.rows if row.towards or row.little)

    @property
    def rest(self) -> tuple[Row, ...]:
        """All others."""
        return tuple(row for row in self.rows if not (row.towards or row.little))


ALONE = "no earlier release was named"
NEW = "not in the release before"
THEN_SIMULATED = "simulated in the release before, and from the bench now: never compared"
THEN_BENCH = "from the bench in the release before, and simulated now: never compared"
NO_VALUE_THEN, NO_VALUE_NOW = "no value in the release before", "no value now"
OTHER_UNIT = "in another unit in the release before"


def gather(sources: Iterable[Source]) -> Measured:
    """All judged measures of decided items."""
    found: dict[Key, Gathered] = {}
    doubted: list[str] = []
    for source in sources:
        doubted += [source.run] if source.doubts else []
        for item in source.items:
            if item.result is None or item.standing in SAYS_NOTHING:
                continue
            for judgement in item.result.judgements:
                here = found.setdefault(_key(item.result, judgement, source), Gathered())
                here.values[source.run, item.number, judgement.repeat] = judgement.measure
                here.judgements.append(judgement)
    return Measured(found, tuple(doubted))


def _key(result: ItemResult, judgement: Judgement, source: Source) -> Key:
    return Key(result.plan, result.item, judgement.band.measure, source.simulated)


def compare(
    before: Measured | None, now: Measured, earlier: Mapping[Key, Scatter] = MappingProxyType({})
) -> Compared:
    """Hold what was measured `now` against the release `before`, if there is one.

    `earlier`: how measures scatter between runs that are in neither.
    """
    rows = [_row(key, before, here, earlier.get(key)) for key, here in now.of.items()]
    rows.sort(key=_rank)
    doubted = (() if before is None else before.doubted, now.doubted)
    return Compared(tuple(rows), before is not None, doubted)


def _row(key: Key, before: Measured | None, here: Gathered, earlier: Scatter | None) -> Row:
    there = None if before is None else before.of.get(key)
    then, now = None if there is None else there.mean, here.mean
    nearest, share = _nearest(here.judgements)
    apart = _apart(key, before, there, here)
    move = None
    if not apart and then is not None and now is not None:
        earlier = earlier if 1 in (then.count, now.count) else None
        move = moved(then, now, nearest.band, earlier)
    return Row(
        key, then, now, (0 if there is None else there.lacking, here.lacking), move, apart,
        nearest, share, combine(one.verdict for one in here.judgements),
        None if move is None else earlier,
    )  # fmt: skip


def _apart(key: Key, before: Measured | None, there: Gathered | None, here: Gathered) -> str:
    """Why it is not compared, "" if it is."""
    if before is None:
        return ALONE
    if there is None:
        if key.other not in before.of:
            return NEW
        return THEN_BENCH if key.simulated else THEN_SIMULATED
    if here.mean is None or there.mean is None:
        return NO_VALUE_NOW if here.mean is None else NO_VALUE_THEN
    if {one.unit for one in here.values.values()} != {one.unit for one in there.values.values()}:
        return OTHER_UNIT
    return ""


def _nearest(judgements: Sequence[Judgement]) -> tuple[Judgement, float | None]:
    def left(one: Judgement) -> float | None:
        return None if one.margin is None else share_left(one.margin, one.band)

    def near(one: Judgement) -> tuple[bool, float, bool, float]:
        share = left(one)
        return share is None, share or 0.0, one.margin is None, one.margin or 0.0

    found = min(judgements, key=near)
    return found, left(found)


def _rank(row: Row) -> tuple[int, bool, float, str, str, str]:
    """Beyond uncertainty and towards the limit first, then little left, then other moves, then
    what nobody can decide, nearer to the limit before farther."""
    nearer = row.move is not None and row.move.sense is Sense.TOWARDS
    groups = (row.towards, row.little, row.away, row.open and nearer, row.open)
    group = next((n for n, holds in enumerate(groups) if holds), len(groups))
    where = row.key
    return group, row.share is None, row.share or 0.0, where.plan, where.item, where.measure
