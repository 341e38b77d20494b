"""A plan and a rig make items; whatever the rig cannot do or no measure can judge is refused."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import astuple

from hil.core.alike import nearest
from hil.core.count import many
from hil.core.drive import Sensing
from hil.core.ladder import in_words, rung_of
from hil.plan.bands import BandTable
from hil.plan.checks import LINES
from hil.plan.kick import kick_band
from hil.plan.kinds import KINDS, StepsParameters, glitches
from hil.plan.matrix import known_keys
from hil.plan.pairs import without_partner
from hil.plan.plan import BandText, Case, Plan, PlannedItem, Scenario, SequentialText
from hil.plan.rig import Rig
from hil.plan.source import Problem, Where, place, refuse
from hil.plan.steps import ExpectRefusal
from hil.verdicts.samples import RateTarget, trials_without_failure
from hil.verdicts.sequence import Series

#: So many items are named in one sentence.
NAMED = 10
#: Kind of scenario -> name of a measure -> its canonical unit.
Measures = Mapping[str, Mapping[str, str]]


def expand(plan: Plan, rig: Rig, measures: Measures) -> tuple[PlannedItem, ...]:
    """All items of a plan on a rig, in the order that `hil.plan.plan` documents.

    Those that ask the board for what it has not are left out, see `left_out`.

    Parameters
    ----------
    measures : for each kind of scenario, the names of its measures and their units.

    Raises
    ------
    PlanError
        With file, line and column of every problem: unknown measures, wrong units, contradictory
        bands, conditions that the rig does not offer, ids that are not unique.
    """
    return expand_all(plan, rig, measures)[0]


def expand_all(
    plan: Plan, rig: Rig, measures: Measures
) -> tuple[tuple[PlannedItem, ...], tuple[tuple[str, PlannedItem], ...]]:
    """As `expand`, and beside it the items that are left out in the same order, each with why."""
    expansion = _Expansion(plan, rig, measures)
    expansion.check_default_names()
    pairs = [(s, item) for s in plan.scenarios for item in expansion.scenario(s)]
    expansion.check_unique(pairs)
    if not pairs and not expansion.problems:
        expansion.complain(("scenarios",), " and ".join(left_out(plan, rig)), key=True)
    if plan.pairs_required:
        expansion.check_partners(pairs)
    if expansion.problems:
        raise refuse(expansion.problems)
    return tuple(item for _scenario, item in pairs), tuple(expansion.left_out)


class _Expansion:
    def __init__(self, plan: Plan, rig: Rig, measures: Measures) -> None:
        self.plan, self.rig, self.measures = plan, rig, measures
        self.source = plan.source
        self.problems: list[Problem] = []
        self.left_out: list[tuple[str, PlannedItem]] = []

    def complain(self, where: Where, text: str, *, key: bool = False) -> None:
        self.problems.append(self.source.problem(where, text, key=key))

    def scenario(self, scenario: Scenario) -> list[PlannedItem]:
        own, preset = self._table(scenario, strict=True), self._table(scenario, strict=False)
        own.read((*scenario.where, "bands"), scenario.head.bands)
        preset.read(("defaults", "bands"), self.plan.defaults.bands)
        success = self._success(scenario)
        items = [self._item(scenario, case, (own, preset), success) for case in scenario.cases]
        for case in scenario.cases:
            if offered(case, self.rig):
                for where, text in beyond_rig(case, self.rig):
                    self.complain(where, f"{place(where)}: {text}")
        own.check_used()
        self.problems += own.problems + preset.problems
        if not own.problems:
            for item in items:
                if not item.bands and scenario.head.success is None:
                    self.complain(scenario.where, f"no pass band applies to {item.id}")
        both = list(zip(scenario.cases, items, strict=True))
        self.left_out += [
            (why, item) for case, item in both if (why := _not_offered(case, self.rig))
        ]
        return [item for case, item in both if offered(case, self.rig)]

    def _table(self, scenario: Scenario, *, strict: bool) -> BandTable:
        units = self.measures.get(scenario.kind, {})
        return BandTable(self.source, scenario.kind, units, self.plan.defaults, strict=strict)

    def _item(
        self,
        scenario: Scenario,
        case: Case,
        tables: tuple[BandTable, BandTable],
        success: RateTarget | Series | None,
    ) -> PlannedItem:
        series = success if isinstance(success, Series) else None
        sensing = case.sensing or Sensing(self.rig.board.sensing[0])
        supply = self.rig.supply.voltage if case.supply is None else case.supply
        values = {**case.values, "sensing": sensing.value, "supply": supply}
        own, preset = tables
        parts = {
            name: part
            for name in dict.fromkeys((*own.names(), *preset.names()))
            if (part := own.fitting(name, values) or preset.fitting(name, values)) is not None
        }
        bands = [part.band for part in parts.values() if part.band is not None]
        if bands or success is not None:
            units = self.measures.get(scenario.kind, {})
            kick = kick_band(self.rig, sensing, units, parts, self.plan.defaults)
            bands += [kick] if kick is not None else []
        identity = ".".join((scenario.head.id, *case.slug))
        lacks = lacking(case, self.rig)
        return PlannedItem(
            id=identity,
            kind=scenario.kind,
            title=scenario.head.title or identity,
            parameters=case.parameters,
            direction=case.direction,
            sensing=sensing,
            supply_voltage=supply,
            load=case.load,
            repeats=scenario.repeats if series is None else series.most,
            bands=tuple(bands),
            success=success if isinstance(success, RateTarget) else None,
            series=series,
            requirements=scenario.head.requirements,
            plan=self.plan.name,
            file=self.source.file,
            line=self.source.position((*scenario.where, "id"), key=True).line,
            attended=not lacks and self.rig.brake is None and any(case.parameters.torques()),
            lacks=lacks,
        )

    def _success(self, scenario: Scenario) -> RateTarget | Series | None:
        wanted = scenario.head.success
        if wanted is None:
            return None
        where: Where = (*scenario.where, "success")
        if "success" not in self.measures.get(scenario.kind, {}):
            self.complain(where, f"{place(where)}: {scenario.kind} has no measure 'success'")
        try:
            if wanted.sequential is not None:
                return self._series(scenario, wanted.sequential, where)
            target = RateTarget(wanted.at_least or 0.0, wanted.confidence)
        except ValueError as error:
            self.complain(where, f"{place(where)}: {error}")
            return None
        needed = trials_without_failure(target.at_least / 100, target.confidence / 100)
        if scenario.repeats < needed:
            self.complain(
                where,
                f"{place(where)}: {scenario.repeats} repeats cannot show {target.at_least:g} % "
                f"with {target.confidence:g} % confidence, not even without a failure; it takes "
                f"{needed}",
            )
        return target

    def _series(self, scenario: Scenario, text: SequentialText, where: Where) -> Series:
        if scenario.repeats > 1:
            self.complain(
                where,
                f"{place(where)}: a sequential series ends when it has decided; leave repeats out",
            )
        percents = (text.good, text.bad, text.alpha, text.beta)
        return Series.between(*(percent / 100.0 for percent in percents))

    def check_default_names(self) -> None:
        kinds = {scenario.kind for scenario in self.plan.scenarios}
        names = {name for kind in kinds for name in self.measures.get(kind, {})}
        keys = {key for kind in KINDS for key in known_keys(kind)}
        for name, entries in self.plan.defaults.bands.items():
            at: Where = ("defaults", "bands", name)
            if name not in names:
                said = f"no scenario of this plan has a measure {name!r}{nearest(name, names)}"
                self.complain(at, f"defaults.bands: {said}", key=True)
            for key in (k for e in entries if isinstance(e, BandText) for k in e.when):
                if key not in keys:
                    self.complain(at, f"{place(at)}.when: unknown key {key!r}{nearest(key, keys)}")

    def check_unique(self, pairs: list[tuple[Scenario, PlannedItem]]) -> None:
        first: dict[str, int] = {}
        for scenario, item in pairs:
            if item.id in first:
                where = (*scenario.where, "id")
                text = f"{place(where)}: item {item.id} exists already, from line {first[item.id]}"
                self.complain(where, text)
            first.setdefault(item.id, item.line)

    def check_partners(self, pairs: list[tuple[Scenario, PlannedItem]]) -> None:
        """What must trip needs a partner just inside the limit that must not."""
        for scenario, text in without_partner(pairs):
            self.complain(scenario.where, text)


def beyond_rig(case: Case, rig: Rig) -> Iterator[tuple[Where, str]]:
    """What a cell of a matrix asks for and the rig does not offer: place and text naming both."""
    motor = rig.motor
    if case.supply is not None and case.supply > rig.supply.max_voltage:
        yield (
            case.where["supply"],
            f"{case.supply:g} V lies above max-voltage {rig.supply.max_voltage:g} V of the supply "
            f"of rig {rig.rig}",
        )
    for key, voltage in case.parameters.voltages():
        if voltage > rig.supply.max_voltage:
            yield (
                _at(case, key, voltage),
                f"{voltage:g} V lies above max-voltage {rig.supply.max_voltage:g} V of the supply "
                f"of rig {rig.rig}",
            )
    for key, line in case.parameters.lines():
        offered = rig.switch.every_line if rig.switch is not None else LINES
        if line not in offered and not (rung_of(line) is not None and _no_ladder(rig)):
            there = f"rig {rig.rig} cannot open or close line" if rig.switch else "there is no line"
            yield (
                _at(case, key, line),
                f"{there} {line!r}, there are {', '.join(offered) or 'none'}",
            )
    for key, speed in case.parameters.speeds():
        if not motor.min_speed <= speed <= motor.max_speed:
            yield (
                _at(case, key, speed),
                f"{speed:g} rpm lies outside min-speed {motor.min_speed:g} rpm to max-speed "
                f"{motor.max_speed:g} rpm of the motor of rig {rig.rig}",
            )
    for key, torque in _torques(case):
        if rig.brake is not None and torque > rig.brake.max_torque:
            yield (
                _at(case, key, torque),
                f"{torque:g} N*m lies above max-torque {rig.brake.max_torque:g} N*m of the brake "
                f"of rig {rig.rig}",
            )


def _at(case: Case, key: str, value: float | str) -> Where:
    """Where a value of a cell stands: among steps, at the first that has it."""
    if key == "steps" and isinstance(case.parameters, StepsParameters):
        for number, step in enumerate(case.parameters.steps):
            if value in astuple(step):
                return (*case.where[key], number)
    return case.where[key]


def offered(case: Case, rig: Rig) -> bool:
    """Whether the board of the rig has what a cell of a matrix asks of it.

    How a board senses, and whether it can be told to, belongs to the product, as an instrument does
    not: where it never does, an item that is named night after night as not run would tell nothing.
    """
    return not _not_offered(case, rig)


def _not_offered(case: Case, rig: Rig) -> str:
    """What a cell of a matrix asks of the board and no board of the rig has; or ""."""
    if case.sensing is not None and case.sensing.value not in rig.board.sensing:
        return (
            f"rig {rig.rig} has no sensing {case.sensing.value} (board.sensing: "
            f"{', '.join(rig.board.sensing)})"
        )
    if rig.profile.sensing and _selects_sensing(case):
        return (
            f"link profile {rig.profile.name} of rig {rig.rig} has no command select-sensing "
            f"(sensing: {rig.profile.sensing}) that a step expect-refusal could send"
        )
    return ""


def _selects_sensing(case: Case) -> bool:
    return isinstance(case.parameters, StepsParameters) and any(
        isinstance(step, ExpectRefusal) and step.command == "sensing"
        for step in case.parameters.steps
    )


def left_out(plan: Plan, rig: Rig) -> Iterator[str]:
    """Which items are left out for what the board has not, one sentence for each reason."""
    cases = [(scenario, case) for scenario in plan.scenarios for case in scenario.cases]
    missing: dict[str, list[str]] = {}
    for scenario, case in cases:
        if reason := _not_offered(case, rig):
            missing.setdefault(reason, []).append(".".join((scenario.head.id, *case.slug)))
    for reason, those in missing.items():
        more = f" and {len(those) - NAMED} more" if len(those) > NAMED else ""
        yield (
            f"{reason}: {len(those)} of {many(len(cases), 'item')} of plan {plan.name} "
            f"{'is' if len(those) == 1 else 'are'} left out: {', '.join(those[:NAMED])}{more}"
        )


def lacking(case: Case, rig: Rig) -> str:
    """The instruments that a cell of a matrix cannot do without and that are not wired; or "".

    Unlike what `beyond_rig` finds that is no contradiction between plan and rig: on another bench
    of the kind the same plan runs as it is.
    """
    return "; ".join((*_lacks_brake(case, rig), *_lacks_switch(case, rig)))


def _lacks_brake(case: Case, rig: Rig) -> Iterator[str]:
    if rig.brake is not None:
        return
    by_hand = case.parameters.by_hand
    for key, torque in _torques(case):
        if key == "load" or not by_hand:
            yield f"{_none_wired('brake', rig)}, and no person keeps to {torque:g} N*m ({key})"
            return


def _lacks_switch(case: Case, rig: Rig) -> Iterator[str]:
    if rig.switch is not None:
        for glitch in glitches(case.parameters):
            if glitch.seconds < rig.switch.shortest:
                yield (
                    f"the signal switch of rig {rig.rig} makes no break shorter than "
                    f"{1e3 * rig.switch.shortest:g} ms (switch.shortest), and "
                    f"{1e3 * glitch.seconds:g} ms of {glitch.line} are asked for"
                )
    lines = dict.fromkeys(line for _, line in case.parameters.lines())
    rungs = [line for line in lines if rung_of(line) is not None]
    if rig.switch is None and (others := [line for line in lines if line not in rungs]):
        yield f"{_none_wired('signal switch', rig)} to open and close {', '.join(others)}"
    if rungs and _no_ladder(rig):
        yield (
            f"{_none_wired('ladder of resistors', rig)} (switch.ladder) to put "
            f"{', '.join(map(in_words, rungs))} in place of the temperature sensor"
        )


def _no_ladder(rig: Rig) -> bool:
    return rig.switch is None or not rig.switch.ladder


def _none_wired(instrument: str, rig: Rig) -> str:
    return f"no {instrument} wired on rig {rig.rig}"


def _torques(case: Case) -> Iterator[tuple[str, float]]:
    """Key and value of every brake torque that a cell asks for, N m."""
    yield from case.parameters.torques()
    if case.load:
        yield "load", case.load


def not_wired(items: Sequence[PlannedItem], rig: Rig) -> Iterator[str]:
    """Which items are not run for want of an instrument, one sentence for each that is missing."""
    for instrument in ("brake", "signal switch", "ladder of resistors"):
        missing = _none_wired(instrument, rig)
        needing = [item.id for item in items if missing in item.lacks]
        if needing:
            more = f" and {len(needing) - NAMED} more" if len(needing) > NAMED else ""
            yield (
                f"{missing}: items that need one are not run "
                f"({len(needing)} of {len(items)}): {', '.join(needing[:NAMED])}{more}"
            )
