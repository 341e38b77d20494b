"""The library of seeded defects: complete, distinct, and each seed changes something."""

from __future__ import annotations

from dataclasses import fields

import pytest

from hil.measures.catalogue import KINDS, definitions
from hil.twin.defects import DEFECTS, Defect, Seed, defect, select
from hil.twin.defects.kinds import SUBTLE, TOPICS
from hil.twin.reference.settings import SEAMS, ReferenceSettings

EVERY = pytest.mark.parametrize("one", DEFECTS.values(), ids=list(DEFECTS))
MEASURES = {name for kind in KINDS for name in definitions(kind)}
#: What a manoeuvre says when it cannot go on, and what the bench says when it switches off.
SAID = (
    "not reached within", "entry speed", "start-failed", "stall", "hall", "over-current",
    "under-voltage", "over-voltage", "link-lost", "not idle", "was obeyed", "refused",
    "shaft turned", "shaft moved", "against the commanded direction", "turns the other way",
    "expected fault", "state idle not reached", "state fault not", "the firmware reports",
    "stopped by itself",
)  # fmt: skip


def test_there_are_enough_and_every_topic_is_covered() -> None:
    assert len(DEFECTS) >= 40
    assert {tag for one in DEFECTS.values() for tag in one.tags} == {*TOPICS, *SUBTLE}


def test_consequences_are_distinct() -> None:
    assert len({one.consequence for one in DEFECTS.values()}) == len(DEFECTS)
    assert len({one.seeds for one in DEFECTS.values()}) == len(DEFECTS)


@EVERY
def test_a_consequence_is_one_sentence(one: Defect) -> None:
    assert one.consequence[0].isupper() or one.consequence[0].isdigit()
    assert one.consequence.endswith(".")
    assert ". " not in one.consequence.removesuffix(".")


@EVERY
def test_every_seed_differs_from_healthy_firmware(one: Defect) -> None:
    healthy = ReferenceSettings()
    for seed in one.seeds:
        name, _, place = seed.place.partition(".")
        if seed.place in SEAMS:
            assert seed.value != SEAMS[seed.place]
            continue
        value = getattr(healthy, name)
        assert seed.value != (value[int(place)] if place else value)


@EVERY
def test_the_firmware_takes_the_seeds_and_nothing_else_changes(one: Defect) -> None:
    healthy = ReferenceSettings()
    changed = one.variation.applied("firmware", healthy)
    names = {seed.place.partition(".")[0] for seed in one.seeds if seed.place not in SEAMS}
    seams = {seed.place: seed.value for seed in one.seeds if seed.place in SEAMS}
    for field in fields(healthy):
        same = getattr(changed, field.name) == getattr(healthy, field.name)
        assert same is (field.name not in names and (field.name != "defects" or not seams))
    assert dict(changed.defects) == seams


@EVERY
def test_what_should_notice_it_exists(one: Defect) -> None:
    assert one.measures
    for text in one.measures:
        assert text in MEASURES or any(text.startswith(said) for said in SAID), text


@EVERY
def test_only_an_intermittent_one_has_odds(one: Defect) -> None:
    if one.intermittent:
        assert {"intermittent", "by-chance"} <= set(one.tags)
    assert one.name.endswith("1-in-50") is (one.odds == 0.02)


def test_seams_beyond_those_used_would_be_dead_code() -> None:
    used = {seed.place for one in DEFECTS.values() for seed in one.seeds}
    assert set(SEAMS) <= used | {"tracking"}


def test_the_chance_of_seeing_an_intermittent_one() -> None:
    one = DEFECTS["start-missed-1-in-50"]
    assert one.chance(0) == 0.0
    assert one.chance(1) == pytest.approx(0.02)
    # Independent of the formula: 34 starts see a 1 in 50 fault about every second time.
    assert one.chance(34) == pytest.approx(0.5, abs=0.005)
    assert one.chance(150) == pytest.approx(0.9517, abs=1e-4)
    assert DEFECTS["stall-not-noticed"].chance(1) == 1.0


def test_a_reason_is_matched_by_whole_words() -> None:
    one = Defect("a", "A.", (Seed("lag", 1.0),), ("timing",), ("ripple", "stall"))
    assert one.explains("ripple 12 % is above its band")
    assert one.explains("fault while holding: state fault (stall), 0 rpm")
    assert not one.explains("torque-ripple-b 12 %")
    assert not one.explains("installed")


@pytest.mark.parametrize(
    ("changes", "message"),
    [
        ({"name": "Too_loud"}, "kebab-case"),
        ({"seeds": ()}, "changes nothing"),
        ({"tags": ("weather",)}, "no tag is called 'weather'"),
        ({"tags": ("one-corner",)}, "tags name none of"),
        ({"odds": 0.0}, "odds are 0.0"),
    ],
)
def test_a_defect_that_makes_no_sense_is_refused(changes: dict, message: str) -> None:
    good = {
        "name": "too-loud",
        "consequence": "It hums.",
        "seeds": (Seed("lag", 1.0),),
        "tags": ("timing",),
        "measures": ("ripple",),
    }
    Defect(**good)
    with pytest.raises(ValueError, match=message):
        Defect(**{**good, **changes})


def test_a_seed_needs_a_place() -> None:
    with pytest.raises(ValueError, match="no seam and no setting is called 'colour'"):
        Seed("colour", 1.0)
    assert str(Seed("lag", 2.5)) == "lag = 2.5"
    assert Seed("lag", 1.0).path == "firmware.defects.lag"
    assert Seed("align_times.1", 1.0).path == "firmware.align_times.1"


def test_defects_are_found_by_name_and_by_tag() -> None:
    assert defect("stall-not-noticed").name == "stall-not-noticed"
    assert select() == tuple(DEFECTS.values())
    assert [one.name for one in select(["fault-not-latched"])] == ["fault-not-latched"]
    marked = select(tags=["intermittent"])
    assert marked == tuple(one for one in DEFECTS.values() if "intermittent" in one.tags)
    assert len(select(["fault-not-latched"], ["intermittent"])) == len(marked) + 1
    with pytest.raises(ValueError, match="'stall-unseen'; did you mean 'stall-not-n"):
        defect("stall-unseen")
