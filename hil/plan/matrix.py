"""A scenario's matrix, multiplied out into cells with typed conditions and parameters."""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator, Mapping
from functools import cache
from typing import Annotated, Any

from pydantic import TypeAdapter, ValidationError

from hil.core.alike import nearest
from hil.core.drive import Direction, Sensing
from hil.plan.explain import problems
from hil.plan.kinds import KINDS
from hil.plan.model import Model
from hil.plan.parameters import ItemConditions, Parameters
from hil.plan.plan import Case, Defaults, Repeats, Scenario, ScenarioHead
from hil.plan.source import Problem, Source, Where, describe, place

#: More cells than this in one matrix is a slip of the pen, not a night's work.
MOST_CELLS = 10_000
#: Entries of a matrix that are no axes.
NO_AXIS = ("repeats", "except")


#: Key -> value as written and where it stands.
Given = dict[str, tuple[object, Where]]
#: Axis -> its values as written and where each stands.
Axes = dict[str, list[tuple[object, Where]]]


class Wrong(Exception):
    """Problems found in a scenario; `hil.plan.load` collects them over the whole file."""

    def __init__(self, problems: list[Problem]) -> None:
        super().__init__(problems)
        self.problems = problems


def keys_of(model: type[Model]) -> dict[str, str]:
    """Key in files -> field name."""
    return {field.alias or name: name for name, field in model.model_fields.items()}


@cache
def _adapter(model: type[Model], name: str) -> TypeAdapter[Any]:
    field = model.model_fields[name]
    kind: Any = field.annotation
    # Which type it is, is known at run time only.
    return TypeAdapter(Annotated[(kind, *field.metadata)] if field.metadata else kind)


def canonical(kind: str, key: str, raw: object) -> object:
    """Value of a condition or parameter as the model would hold it.

    Raises
    ------
    KeyError
        If the kind has no such key.
    ValidationError
        If the value does not fit it.
    """
    for model in (ItemConditions, KINDS[kind]):
        names = keys_of(model)
        if key in names:
            return _adapter(model, names[key]).validate_python(raw)
    raise KeyError(key)


def known_keys(kind: str) -> list[str]:
    """Every condition and parameter of a kind."""
    return [*keys_of(ItemConditions), *keys_of(KINDS[kind])]


def read_scenario(source: Source, index: int, defaults: Defaults) -> Scenario:
    """Read the scenario at `index` and multiply out its matrix.

    Raises
    ------
    Wrong
        With every problem found.
    """
    where: Where = ("scenarios", index)
    raw: dict[str, Any] = source.data["scenarios"][index]
    own = {key: raw[key] for key in keys_of(ScenarioHead) if key in raw}
    try:
        head = ScenarioHead.model_validate(own)
    except ValidationError as error:
        raise Wrong(list(problems(ScenarioHead, error, source, where))) from error
    if head.scenario not in KINDS:
        text = f"{place(where)}.scenario: unknown kind {head.scenario!r}"
        raise Wrong([
            source.problem((*where, "scenario"), text + nearest(head.scenario, KINDS))
        ])  # fmt: skip
    found = list(_check_keys(source, where, raw, head))
    axes, repeats = _axes(source, where, head, found)
    if found:
        raise Wrong(found)
    given = _fixed(where, raw, head.scenario, defaults)
    cells = _cells(source, where, head, axes, given)
    return Scenario(head, where, head.scenario, repeats, cells)


def _check_keys(
    source: Source, where: Where, raw: Mapping[str, Any], head: ScenarioHead
) -> Iterator[Problem]:
    known = [*keys_of(ScenarioHead), *known_keys(head.scenario)]
    for key in raw:
        if key not in known:
            text = f"{place(where)} ({head.scenario}): unknown key {key!r}{nearest(key, known)}"
            yield source.problem((*where, key), text, key=True)
    axes = [*known_keys(head.scenario), *NO_AXIS]
    for key in head.matrix:
        at = (*where, "matrix", key)
        if key not in axes:
            text = f"{place(where)}.matrix: unknown axis {key!r}{nearest(key, axes)}"
            yield source.problem(at, text, key=True)
        elif key in raw:
            line = source.position((*where, key), key=True).line
            text = f"{place(where)}.matrix: {key!r} is also set for the whole scenario, line {line}"
            yield source.problem(at, text, key=True)


def _axes(
    source: Source, where: Where, head: ScenarioHead, found: list[Problem]
) -> tuple[Axes, int]:
    axes: Axes = {}
    for key, value in head.matrix.items():
        at: Where = (*where, "matrix", key)
        if key in NO_AXIS:
            continue
        listed = value if isinstance(value, list) else [value]
        if not listed or any(isinstance(entry, dict | list) for entry in listed):
            found.append(source.problem(at, f"{place(at)}: expected a value or a list of values"))
            continue
        single = not isinstance(value, list)
        axes[key] = [(entry, at if single else (*at, i)) for i, entry in enumerate(listed)]
    repeats = 1
    if "repeats" in head.matrix:
        try:
            repeats = Repeats.model_validate({"repeats": head.matrix["repeats"]}).repeats
        except ValidationError as error:
            found.extend(problems(Repeats, error, source, (*where, "matrix")))
    if math.prod(len(values) for values in axes.values()) > MOST_CELLS:
        text = f"{place(where)}.matrix: more than {MOST_CELLS} combinations"
        found.append(source.problem((*where, "matrix"), text))
    return axes, repeats


def _fixed(where: Where, raw: Mapping[str, Any], kind: str, defaults: Defaults) -> Given:
    """What holds for the whole scenario, and where it stands."""
    fixed: Given = {}
    for key in ("tolerance", "within"):
        preset = getattr(defaults, key)
        if preset is not None:
            fixed[key] = (preset, ("defaults", key))
    return fixed | {key: (raw[key], (*where, key)) for key in known_keys(kind) if key in raw}


def _cells(
    source: Source, where: Where, head: ScenarioHead, axes: Axes, fixed: Given
) -> tuple[Case, ...]:
    exceptions = _exceptions(source, where, head, axes)
    cases: list[Case] = []
    found: list[Problem] = []
    for combination in itertools.product(*axes.values()):
        given = fixed | dict(zip(axes, combination, strict=True))
        try:
            case = _case(source, where, head.scenario, given, tuple(axes))
        except Wrong as error:
            found += error.problems
            continue
        if not any(matches(rule, case.values) for rule in exceptions):
            cases.append(case)
    if found:
        raise Wrong(found)
    if not cases:
        text = f"{place(where)}.matrix.except: leaves nothing of the matrix"
        raise Wrong([source.problem((*where, "matrix", "except"), text)])
    return tuple(cases)


def _case(
    source: Source,
    where: Where,
    kind: str,
    given: Given,
    axes: tuple[str, ...],
) -> Case:
    places = {key: at for key, (_value, at) in given.items()}
    found: list[Problem] = []
    models: list[Any] = []
    for model in (ItemConditions, KINDS[kind]):
        part = {key: given[key][0] for key in keys_of(model) if key in given}
        try:
            models.append(model.model_validate(part))
        except ValidationError as error:
            found += problems(model, error, source, where, places)
    if found:
        raise Wrong(found)
    conditions: ItemConditions = models[0]
    parameters: Parameters = models[1]
    values = {key: getattr(conditions, name) for key, name in keys_of(ItemConditions).items()}
    values |= {key: getattr(parameters, name) for key, name in keys_of(KINDS[kind]).items()}
    return Case(
        slug=tuple(slug(key, values[key]) for key in axes),
        direction=Direction.CLOCKWISE if conditions.direction == "cw"
        else Direction.COUNTER_CLOCKWISE,
        sensing=None if conditions.sensing is None else Sensing(conditions.sensing),
        supply=conditions.supply,
        load=conditions.load,
        parameters=parameters,
        values=values,
        where={key: places.get(key, where) for key in values},
    )  # fmt: skip


def _exceptions(
    source: Source, where: Where, head: ScenarioHead, axes: Axes
) -> list[dict[str, tuple[object, ...]]]:
    rules = head.matrix.get("except", [])
    at: Where = (*where, "matrix", "except")
    if not isinstance(rules, list) or not all(isinstance(rule, dict) and rule for rule in rules):
        text = f"{place(at)}: expected a list of axis values such as '- {{supply: 20 V}}'"
        raise Wrong([source.problem(at, text)])
    return [
        read_when(source, (*at, i), rule, head.scenario, list(axes)) for i, rule in enumerate(rules)
    ]


def read_when(
    source: Source, at: Where, rule: Mapping[str, object], kind: str, keys: list[str]
) -> dict[str, tuple[object, ...]]:
    """Read ``{sensing: hall, speed: [1000 rpm, 2000 rpm]}`` into canonical values.

    Raises
    ------
    Wrong
        For a key that is none of `keys` or a value that does not fit its key.
    """
    found: list[Problem] = []
    result: dict[str, tuple[object, ...]] = {}
    for key, raw in rule.items():
        if key not in keys:
            text = f"{place(at)}: unknown key {key!r}{nearest(key, keys)}"
            found.append(source.problem((*at, key), text, key=True))
            continue
        values = []
        for entry in raw if isinstance(raw, list) else [raw]:
            try:
                values.append(canonical(kind, key, entry))
            except ValidationError as error:
                first = error.errors(include_url=False)[0]
                said = str(first.get("ctx", {}).get("error", "")) or (
                    f"expected {first.get('ctx', {}).get('expected', 'another value')}, "
                    f"found {describe(entry)}"
                )
                found.append(source.problem((*at, key), f"{place((*at, key))}: {said}"))
        result[key] = tuple(values)
    if found:
        raise Wrong(found)
    return result


def matches(rule: Mapping[str, tuple[object, ...]], values: Mapping[str, object]) -> bool:
    """Whether every key of `rule` has one of its values."""
    return all(values.get(key) in wanted for key, wanted in rule.items())


_UNIT_OF_KEY = {
    "speed": ("rpm", 1.0),
    "entry-speed": ("rpm", 1.0),
    "from": ("rpm", 1.0),
    "to": ("rpm", 1.0),
    "supply": ("v", 1.0),
    "load": ("mnm", 1000.0),
    "brake-torque": ("mnm", 1000.0),
    "tolerance": ("pct", 1.0),
    "within": ("s", 1.0),
    "hold": ("s", 1.0),
    "watch": ("s", 1.0),
}


def slug(key: str, value: object) -> str:
    """Part of an item id for the value of an axis: ``24v``, ``2000rpm``, ``60mnm``, ``hall``."""
    if isinstance(value, bool):
        return key if value else f"not-{key}"
    if isinstance(value, float):
        unit, factor = _UNIT_OF_KEY[key]
        return f"{value * factor:.6f}".rstrip("0").rstrip(".") + unit
    return str(value)
