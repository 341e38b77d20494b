"""The tables of ``testplans/rigs/README.md`` name the keys that the models know, and no other."""

from __future__ import annotations

import inspect
import math
import re
import textwrap
from collections import Counter
from collections.abc import Callable, Iterator, Mapping
from dataclasses import fields as dataclass_fields
from pathlib import Path
from typing import Annotated, Any, Literal, get_args, get_origin

import pytest
from pydantic import TypeAdapter, ValidationError
from pydantic.fields import FieldInfo
from ruamel.yaml import YAML

from hil.bench.simulated_drive import _MEASURING as RENAMED
from hil.plan.accuracy import Accuracy
from hil.plan.braking import BrakeTexts
from hil.plan.checklist import Checklist
from hil.plan.described import Described
from hil.plan.firmware import SimulatedFirmware
from hil.plan.instruments import (
    AskedTachometer,
    AttendedBrake,
    EncoderInstrument,
    Instrument,
    InterlockInstrument,
    MemoryTachometer,
    SourceBrake,
    SupplyInstrument,
    SwitchInstrument,
    ThermometerInstrument,
    TorqueBrake,
)
from hil.plan.load import load_rig
from hil.plan.matrix import keys_of
from hil.plan.memory import MemoryTexts
from hil.plan.model import Model
from hil.plan.population import Population, Spread
from hil.plan.reader import read_based
from hil.plan.readings import CounterTexts, NumberTexts, ValueTexts
from hil.plan.rig import AbortLimits, BoardLink, Flash, Motor, Regeneration, Rig, Telemetry
from hil.plan.simulated import SimulatedBench, SimulatedOperator
from hil.plan.simulated_board import Heat, Measuring, PowerStage, Wiring
from hil.plan.supply import ChannelTexts, SupplyTexts
from hil.ports.registry import BUILT_IN, INSTRUMENTS
from hil.twin.instruments.supply import SupplyRating
from hil.twin.parameters import BridgeParameters, HeatParameters, SensingParameters
from hil.twin.reference import ReferenceSettings

PAGE = Path(__file__).parents[2] / "testplans" / "rigs" / "README.md"
TEXT = PAGE.read_text(encoding="utf-8")
SHIPPED_RIG = PAGE.with_name("dosing-pump.yaml")

#: Table -> the models whose keys it has. Those of a model without a table stand, with a dot, in the
#: table of the one that holds it.
TABLES: Mapping[str, tuple[type[Model], ...]] = {
    "File": (Rig,),
    "motor": (Motor,),
    "board": (BoardLink,),
    "board.flash": (Flash,),
    "Every instrument": (Instrument,),
    "supply": (SupplyInstrument,),
    "supply.commands": (SupplyTexts,),
    "tachometer": (MemoryTachometer, AskedTachometer),
    "tachometer.commands, driver counter": (CounterTexts,),
    "tachometer.commands, driver scpi": (MemoryTexts,),
    "encoder": (EncoderInstrument,),
    "thermometer": (ThermometerInstrument,),
    "brake": (TorqueBrake, SourceBrake, AttendedBrake),
    "brake.commands": (BrakeTexts,),
    "switch": (SwitchInstrument,),
    "interlock": (InterlockInstrument,),
    "Commands of every instrument": (Described,),
    "A value": (NumberTexts,),
    "accuracy": (Accuracy,),
    "limits": (AbortLimits,),
    "regeneration": (Regeneration,),
    "telemetry": (Telemetry,),
    "checklist": (Checklist,),
    "twin": (SimulatedBench,),
    "twin.firmware": (SimulatedFirmware,),
    "twin.power-stage": (PowerStage,),
    "twin.measuring": (Measuring,),
    "twin.heat": (Heat,),
    "twin.wiring": (Wiring,),
    "twin.operator": (SimulatedOperator,),
    "twin.population": (Population,),
    "Tolerance": (Spread,),
}
#: Keys of all models of a kind stand once, in the table of the kind.
ONCE: Mapping[type[Model], frozenset[str]] = {
    Instrument: frozenset({*keys_of(Instrument), "commands"}),
    Described: frozenset({*keys_of(Described), "setup"}),
}
#: Keys that a table has beside those of its models: of a file before it is merged, or of all models
#: of the kind but not of the kind, or of the kind and with choices of its own.
BESIDE: Mapping[str, set[str]] = {
    "File": {inspect.signature(read_based).parameters["key"].default},
    "Every instrument": {"commands"},
    "Commands of every instrument": {"setup"},
    "tachometer": {"driver"},
    "brake": {"driver"},
}
#: Where the simulation knows what a key means that is left out.
SIMULATED: Mapping[str, type] = {
    "twin.firmware": ReferenceSettings,
    "twin.power-stage": BridgeParameters,
    "twin.measuring": SensingParameters,
    "twin.heat": HeatParameters,
}
#: Where the code does, as the model itself leaves it open.
IN_CODE = {("supply.commands", "channel.text"): ChannelTexts(number=1).described().text}
EMPTY = (None, "", (), {})


def rows(heading: str, page: str = TEXT) -> list[tuple[str, str, str]]:
    """Rows of the table under a heading: key, meaning, what holds if it is left out."""
    lines = re.findall(r"^\| (.*?) \| (.*) \| (.*) \|$", section(page, heading), re.M)
    assert len(lines) > 1, heading
    return lines[1:]


def section(text: str, heading: str) -> str:
    """What stands under a heading, up to the next."""
    _, found, rest = text.partition(f"\n## {heading}\n")
    assert found, heading
    return re.split(r"^## ", rest, maxsplit=1, flags=re.M)[0]


def words(text: str) -> list[str]:
    return re.findall(r"`([^`]*)`", text)


def keys(heading: str, page: str = TEXT) -> list[str]:
    return [word for first, _, _ in rows(heading, page) for word in words(first)]


def models_in(kind: Any) -> Iterator[type[Model]]:
    """Every model that a type is made of."""
    if isinstance(kind, type) and issubclass(kind, Model):
        yield kind
    for part in get_args(kind):
        yield from models_in(part)


def has_table(model: type[Model]) -> bool:
    """Whether the keys of a model stand in a table of its own, or of its kind."""
    own = {one for models in TABLES.values() for one in models}
    return model in own or issubclass(model, (Accuracy, Spread, ValueTexts))


def fields_of(*models: type[Model]) -> dict[str, FieldInfo]:
    """Key as the table has it, with dots -> field."""
    found: dict[str, FieldInfo] = {}
    for model in models:
        once = [keys for kind, keys in ONCE.items() if issubclass(model, kind) and model != kind]
        for key, name in keys_of(model).items():
            field = model.model_fields[name]
            inner = [one for one in models_in(field.annotation) if not has_table(one)]
            if inner:
                below = fields_of(*inner)
                found |= {f"{key}.{lower}": one for lower, one in below.items()}
            elif not any(key in keys for keys in once):
                found.setdefault(key, field)
    return found


def reached(model: type[Model], seen: set[type[Model]]) -> set[type[Model]]:
    """The model and every one that it is made of."""
    if model not in seen:
        seen.add(model)
        for field in model.model_fields.values():
            for inner in models_in(field.annotation):
                reached(inner, seen)
    return seen


EVERY = reached(Rig, set())


def differing(heading: str, page: str = TEXT) -> list[str]:
    """Keys that the table lacks, has and should not, or has twice."""
    told = Counter(keys(heading, page))
    there = Counter([*fields_of(*TABLES[heading]), *BESIDE.get(heading, ())])
    return [*(there - told), *(told - there)]


@pytest.mark.parametrize("heading", TABLES)
def test_every_key_is_told_once(heading: str) -> None:
    assert differing(heading) == []


@pytest.mark.parametrize("heading", TABLES)
def test_a_key_that_is_not_told_and_one_that_there_is_not_are_noticed(heading: str) -> None:
    table = section(TEXT, heading)
    for key in keys(heading):
        cell = rf"^(\| (?:`[^`]*`, )*)`{key}`"
        other = re.sub(cell, r"\1`gear-ratio`", table, count=1, flags=re.M)
        assert differing(heading, TEXT.replace(table, other)) == [key, "gear-ratio"]


def test_no_table_and_no_model_stands_alone() -> None:
    headings = re.findall(r"^## (.+)$", TEXT, re.M)
    assert {one for one in headings if "\n| key |" in section(TEXT, one)} == set(TABLES)
    # of a kind, or reached from a rig file
    alone = {Instrument, Described, Accuracy, NumberTexts, Spread}
    assert {one for models in TABLES.values() for one in models} - alone <= EVERY


@pytest.mark.parametrize("kind", [Accuracy, Spread])
def test_all_of_a_kind_have_the_keys_of_its_table(kind: type[Model]) -> None:
    found = [one for one in EVERY if issubclass(one, kind)]
    assert len(found) > 3
    assert {tuple(keys_of(one)) for one in found} == {tuple(keys_of(kind))}


def test_values_have_the_keys_of_their_table_but_columns_no_query() -> None:
    found = {one: set(keys_of(one)) for one in EVERY if issubclass(one, ValueTexts)}
    columns = {one for one in found if not issubclass(one, NumberTexts)}
    assert columns == set(models_in(MemoryTexts.model_fields["speed"].annotation)) | set(
        models_in(MemoryTexts.model_fields["position"].annotation)
    )
    for one, told in found.items():
        assert told == set(keys_of(NumberTexts)) - ({"query"} if one in columns else set())


def test_what_is_said_once_of_all_is_so_of_all() -> None:
    conversations = {one for one in EVERY if issubclass(one, Described)}
    assert {one for one in conversations if "setup" not in keys_of(one)} == {SupplyTexts}
    assert all("commands" in keys_of(one) for one in EVERY if issubclass(one, Instrument))


def left_out(heading: str, key: str, field: FieldInfo) -> object:
    """What holds where a key is left out."""
    default = field.get_default(call_default_factory=True)
    if default is None and heading in SIMULATED:
        told = {one.name: one.default for one in dataclass_fields(SIMULATED[heading])}
        name = key.replace("-", "_")
        default = told.get(RENAMED.get(name, name))
        return None if default == math.inf else default
    return IN_CODE.get((heading, key), default)


def read(field: FieldInfo, text: str) -> object:
    """A text of the page as the value of a key."""
    kind: Any = field.annotation
    adapter = TypeAdapter(Annotated[(kind, *field.metadata)] if field.metadata else kind)
    try:
        return adapter.validate_python(text)
    except ValidationError:
        return adapter.validate_python(YAML(typ="safe").load(text))


@pytest.mark.parametrize("heading", [one for one in TABLES if one != "twin.population"])
def test_what_holds_without_a_key_is_as_told(heading: str) -> None:
    known = fields_of(*TABLES[heading])
    for first, _, told in rows(heading):
        own = [key for key in words(first) if key in known]
        values = words(re.match(r"(`[^`]*`(, `[^`]*`)*)?", told)[0])  # type: ignore[index]
        assert len(values) in (0, 1, len(own)) or not own, first
        for number, key in enumerate(own):
            field = known[key]
            assert field.is_required() == (told == "required"), key
            if values:
                value = values[number] if len(values) > 1 else values[0]
                assert read(field, value) == left_out(heading, key, field), key
            elif told != "required":
                default = left_out(heading, key, field)
                assert default in EMPTY or isinstance(default, Model), key


def test_the_simulated_supply_gives_what_is_told() -> None:
    rating = SupplyRating()
    assert f"gives {rating.voltage:g} V and {rating.current:g} A, or" in TEXT


def test_nothing_of_a_population_is_required() -> None:
    assert not any(field.is_required() for field in Population.model_fields.values())


def choices(kind: Any) -> Iterator[str]:
    """Words of which a type takes one."""
    if get_origin(kind) is Literal:
        yield from map(str, get_args(kind))
    elif not any(models_in(kind)):
        for part in get_args(kind):
            yield from choices(part)


@pytest.mark.parametrize("heading", TABLES)
def test_every_choice_is_told(heading: str) -> None:
    known = fields_of(*TABLES[heading])
    for first, *rest in rows(heading):
        for key in words(first):
            if key in known:
                told = set(re.findall(r"[\w-]+", " ".join(rest)))
                assert set(choices(known[key].annotation)) <= told, key


def test_every_driver_that_comes_with_the_project_is_told() -> None:
    for name in BUILT_IN[INSTRUMENTS]:
        port, _, driver = name.partition(".")
        heading = port if "driver" in keys(port) else "Every instrument"
        (told,) = (row for row in rows(heading) if words(row[0]) == ["driver"])
        assert driver in words(told[1]), name


def blocks(path: Path) -> list[tuple[str, str]]:
    """Every example of a page, with the heading that it stands under."""
    found, heading = [], ""
    pattern = r"^#+ ([^\n]+)$|^ *```yaml\n(.*?)^ *```$"
    for title, block in re.findall(pattern, path.read_text(encoding="utf-8"), re.S | re.M):
        heading = title or heading
        if block:
            found.append((heading, textwrap.dedent(block)))
    return found


EXAMPLES = blocks(PAGE)


def test_the_examples_are_found() -> None:
    assert len(EXAMPLES) == TEXT.count("```yaml\n") > 8


@pytest.mark.parametrize(("heading", "text"), EXAMPLES, ids=[one for one, _ in EXAMPLES])
def test_every_example_can_be_read(heading: str, text: str, write: Callable[..., Path]) -> None:
    if heading == "supply.commands":
        write(text, "rigs/my-supply.yaml")
        text = "supply: {commands: my-supply.yaml}\n"
    if not text.startswith("format: 1\n"):
        text = f"based-on: {SHIPPED_RIG}\nrig: example\n{text}"
    profile = SHIPPED_RIG.parents[1] / "profiles" / "dosing-lines.profile.yaml"
    write(profile.read_text(encoding="utf-8"), "profiles/dosing-lines.profile.yaml")
    assert load_rig(write(text, "rigs/rig.yaml")).rig in ("example", "my-bench")


@pytest.mark.parametrize(
    "text",
    [
        one
        for one in words(TEXT)
        if one.partition(": ")[0] in keys_of(Rig) and one.partition(": ")[1]
    ],
)
def test_every_example_in_a_sentence_can_be_read(text: str, write: Callable[..., Path]) -> None:
    load_rig(write(f"based-on: {SHIPPED_RIG}\nrig: example\n{text}\n"))


def test_the_power_stage_of_the_readme_can_be_read(write: Callable[..., Path]) -> None:
    (text,) = (text for _, text in blocks(PAGE.parents[2] / "README.md") if "power-stage" in text)
    twin = textwrap.indent(text, "  ")
    rig = load_rig(write(f"based-on: {SHIPPED_RIG}\nrig: example\ntwin:\n{twin}"))
    assert rig.twin.wiring.hall_order == ("b", "c", "a")
