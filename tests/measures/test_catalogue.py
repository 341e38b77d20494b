"""The catalogue: complete definitions, and exactly those measures for any trace whatever."""

from __future__ import annotations

import importlib
import pkgutil
import re
import time
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import hil.measures
from hil.core.conditions import Conditions
from hil.core.drive import Direction, DriveState, Sensing
from hil.core.measure import Outcome
from hil.core.quantity import CANONICAL_UNITS
from hil.core.trace import MARKS, Accuracy, Channel, Mark, Trace
from hil.measures.catalogue import KINDS, blocked_by, definitions, measure
from hil.measures.recipe import Recipe
from hil.plan.offers import directional

#: The names plans use; a change here breaks plans.
NAMES = {
    "start": """success time-to-motion time-to-speed alignment-time backward-kick total-kick
        handover-speed handover-dip overshoot settling-time peak-current steady-error ripple
        fault-count""",
    "reversal": """success time-to-standstill dwell time-to-reverse-speed peak-dc-link-voltage
        peak-current overshoot steady-error fault-count""",
    "stall": """tripped trip-time-from-brake trip-time-from-standstill peak-current let-through
        fault-named latched restarts recovered speed-dip""",
    "speed-step": """transition-duration overshoot undershoot settling-time-2 settling-time-5
        steady-error ripple peak-current wind-up-overshoot settling-after-release""",
    "protection": """tripped fault-named time-to-fault time-to-still dip-edge latched hold-off
        restarts cleared-by-stop idle-after-clear recovered refusals fault-count peak-current
        peak-dc-link-voltage peak-temperature""",
    "derating": """derating-start derating-end derating-misfit current-when-cold current-when-hot
        peak-current fault-count""",
    "steps": """final-speed-error ripple peak-speed peak-current peak-dc-link-voltage
        peak-temperature fault-count time-to-fault time-to-still dip-edge duration
        largest-speed-error reported-speed-slope reported-speed-offset stop-time refusals
        telemetry-rate-error telemetry-repeats final-current-crest minimum-speed current-asymmetry
        returns-to-align speed-sag uneven-commutation sector-scatter""",
}
WITNESS = """speed-disagreement direction-agreement voltage-disagreement current-disagreement
    telemetry-loss board-resets reported-temperature-offset"""
CHANNELS = {
    "reported.speed": "rpm",
    "reported.setpoint": "rpm",
    "reported.current": "A",
    "reported.peak": "A",
    "reported.voltage": "V",
    "reported.temperature": "degC",
    "reported.state": "1",
    "reported.fault": "1",
    "witness.speed": "rpm",
    "witness.position": "deg",
    "witness.temperature": "degC",
    "supply.voltage": "V",
    "supply.current": "A",
}


@pytest.mark.parametrize("kind", KINDS)
def test_the_names_are_those_that_plans_use(kind):
    assert kind in NAMES, f"write the measures of {kind!r} into NAMES, above"
    found, told = list(definitions(kind)), [*NAMES[kind].split(), *WITNESS.split()]
    new, gone = sorted(set(found) - set(told)), sorted(set(told) - set(found))
    assert not new, f"{kind}: write {', '.join(new)} into NAMES, above, where it stands in RECIPES"
    assert not gone, f"{kind} no longer has {', '.join(gone)}: plans that name it break"
    assert found == told


@pytest.mark.parametrize(
    "module", sorted(m.name for m in pkgutil.iter_modules(hil.measures.__path__))
)
def test_a_measure_that_is_written_is_also_listed(module):
    """A function under `defines` that stands in no RECIPES is never computed."""
    known = {id(it) for kind in KINDS for it in definitions(kind).values()}
    for name, thing in vars(importlib.import_module(f"hil.measures.{module}")).items():
        if isinstance(thing, Recipe):
            listed = id(thing.definition) in known
            assert listed, f"hil/measures/{module}.py: {name} is missing in RECIPES of its scenario"


@pytest.mark.parametrize("kind", KINDS)
def test_every_measure_is_held_against_a_known_value(kind):
    """As far as words can tell: it is asked for by its name beside this file."""
    beside = [
        path for path in Path(__file__).parent.glob("test_*.py") if path.name != Path(__file__).name
    ]
    text = "".join(path.read_text(encoding="utf-8") for path in beside)
    untried = [name for name in definitions(kind) if f'"{name}"' not in text]
    assert not untried, f"tests/measures: no test asks for {', '.join(untried)}"


@pytest.mark.parametrize("kind", KINDS)
def test_every_definition_is_complete(kind):
    for name, it in definitions(kind).items():
        assert it.name == name
        assert name == name.lower()
        assert "_" not in name
        assert it.unit in CANONICAL_UNITS.values(), name
        assert len(it.text) > 40, name
        assert "  " not in it.text, name
        assert "{" not in it.text, name
        assert it.text.endswith("."), name
        assert it.source, name
        assert set(it.channels) <= set(CHANNELS), name


@pytest.mark.parametrize("kind", KINDS)
def test_definitions_name_only_marks_that_exist(kind):
    for it in definitions(kind).values():
        for word in it.text.split("`")[1::2]:
            assert word in MARKS, (it.name, word)


def test_a_definition_states_its_filter_where_it_has_one():
    for kind in KINDS:
        for it in definitions(kind).values():
            if "witness.speed" in it.channels and it.unit in ("rpm", "%", "s"):
                text = it.text.lower()
                assert "filter" in text or "moving mean" in text or "mean shaft speed" in text, it


def test_sentences_of_a_definition_end_once():
    for kind in KINDS:
        for it in definitions(kind).values():
            assert not re.search(r"[.,:;]\s*[.,:;]", it.text), it


def test_a_definition_that_speaks_of_a_window_says_which():
    for kind in KINDS:
        for it in definitions(kind).values():
            if "judged window" in it.text:
                assert re.search(r"(Judged window:|judged window,)\s+from", it.text), it
            if "steady window" in it.text:
                assert "last 0.5 s" in it.text, it


def test_the_catalogue_cannot_be_altered():
    with pytest.raises(TypeError):
        definitions("start")["other"] = None  # type: ignore[index]


def test_an_unknown_kind_names_the_known_ones(lab):
    with pytest.raises(ValueError, match="speed-step"):
        definitions("speedstep")
    with pytest.raises(ValueError, match="speed-step"):
        measure("", Trace({}), lab.conditions())


def check(kind, trace, conditions):
    found = measure(kind, trace, conditions)
    known = definitions(kind)
    assert [(m.name, m.unit) for m in found] == [(d.name, d.unit) for d in known.values()]
    for m in found:
        if m.outcome is Outcome.VALUE:
            assert np.isfinite([m.value, m.uncertainty, m.resolution]).all(), m
            assert m.uncertainty >= 0.0
            assert m.resolution >= 0.0
        else:
            assert m.detail, m
    return found


@pytest.mark.parametrize("kind", KINDS)
def test_an_empty_trace_gives_reasons_and_no_number(lab, kind):
    empty = {n: Channel(n, u, np.empty(0), np.empty(0)) for n, u in CHANNELS.items()}
    marks = tuple(Mark(name, 0.0) for name in MARKS)
    for trace in (Trace({}), Trace(empty), Trace(empty, marks, 1.0), Trace({}, marks, 1.0)):
        found = check(kind, trace, lab.conditions(entry=1000.0, trip_expected=True))
        for m in found:
            # the length of a trace and its marks are there without a single sample
            if m.name not in ("duration", "refusals"):
                assert m.value is None, m


numbers = st.one_of(
    st.floats(-5000.0, 5000.0),
    st.just(float("nan")),
    st.sampled_from([0.0, 1.0, 5.0, 2000.0, 1e300, -1e300, float("inf")]),
)


@st.composite
def channels(draw, name):
    n = draw(st.integers(0, 40))
    start = draw(st.floats(0.0, 2.0))
    interval = draw(st.sampled_from([0.001, 0.005, 0.05]))
    gaps = draw(st.lists(st.sampled_from([1.0, 1.0, 1.0, 2.0, 5.0, 400.0]), min_size=n, max_size=n))
    t = start + np.cumsum(np.array(gaps, dtype=np.float64)) * interval
    if name == "reported.state" and draw(st.booleans()):
        values = draw(st.lists(st.sampled_from([0.0, 2.0, 3.0, 5.0]), min_size=n, max_size=n))
    else:
        values = draw(st.lists(numbers, min_size=n, max_size=n))
    accuracy = draw(st.sampled_from([Accuracy(), Accuracy(0.01, 0.5, 0.1)]))
    stated = draw(st.sampled_from([0.0, interval]))
    y = np.array(values, dtype=np.float64)
    return Channel(name, CHANNELS[name], t, y, accuracy, 0.0005, stated)


@st.composite
def traces(draw):
    names = draw(st.lists(st.sampled_from(sorted(CHANNELS)), unique=True))
    marks = draw(
        st.lists(st.tuples(st.sampled_from(MARKS), st.floats(0.0, 4.0)), max_size=8).map(
            lambda found: tuple(Mark(n, t, 0.001) for n, t in sorted(found, key=lambda m: m[1]))
        )
    )
    counts = draw(st.tuples(*[st.integers(-1, 300)] * 3))
    end = draw(st.sampled_from([0.0, 0.3, 3.0, 5.0]))
    return Trace({n: draw(channels(n)) for n in names}, marks, end, *counts)


conditions = st.builds(
    Conditions,
    direction=st.sampled_from(Direction),
    sensing=st.sampled_from(Sensing),
    supply_voltage=st.sampled_from([0.0, 24.0]),
    pole_pairs=st.just(4),
    target=st.sampled_from([0.0, 500.0, 2000.0]),
    entry=st.sampled_from([0.0, 500.0, 2000.0]),
    tolerance=st.sampled_from([0.0, 5.0]),
    trip_expected=st.booleans(),
    saturated=st.booleans(),
    back_emf_constant=st.sampled_from([0.0, 0.05]),
    resistance=st.sampled_from([0.0, 0.6]),
)


@settings(deadline=None, max_examples=250)
@given(st.sampled_from(KINDS), traces(), conditions)
def test_any_trace_gives_numbers_or_reasons(kind, trace, asked):
    check(kind, trace, asked)


@settings(deadline=None, max_examples=120)
@given(st.sampled_from(KINDS), st.data(), conditions)
def test_a_damaged_trace_gives_numbers_or_reasons(lab, kind, data, asked):
    """A whole trace of a healthy drive, with samples and marks knocked out of it."""
    scene = lab.Scene(
        end=4.0,
        speed=lab.ramps([(0.5, 0.0), (1.0, 2000.0), (2.0, 2000.0), (2.5, -500.0), (3.0, -500.0)]),
        marks=[(name, 0.3 * i) for i, name in enumerate(MARKS)],
        states=[(0.0, DriveState.IDLE), (0.5, DriveState.RUN), (2.2, DriveState.FAULT)],
    )
    trace = scene.trace()
    kept = data.draw(st.sets(st.sampled_from(MARKS)))
    warm = np.arange(0.0, 4.0, 0.5)
    known = Channel("witness.temperature", "degC", warm, np.full(8, 39.0), interval=0.5)
    spoilt = {**trace.channels, known.name: known}
    for name in data.draw(st.sets(st.sampled_from(sorted(CHANNELS)))):
        c = spoilt[name]
        start, width = data.draw(st.tuples(st.floats(0.0, 4.0), st.floats(0.0, 4.0)))
        y = c.y.copy()
        y[(c.t >= start) & (c.t <= start + width)] = np.nan
        spoilt[name] = Channel(c.name, c.unit, c.t, y, c.accuracy, 0.0005, c.interval)
    marks = tuple(m for m in trace.marks if m.name in kept)
    check(kind, Trace(spoilt, marks, trace.end, 10, 1), asked)


@pytest.mark.parametrize("kind", KINDS)
def test_the_same_trace_gives_the_same_measures(lab, kind):
    scene = lab.Scene(
        end=3.0,
        speed=lab.ramps([(0.5, 0.0), (1.0, 2000.0)]),
        marks=[("command", 0.5), ("set-point", 0.5), ("reverse", 0.5), ("brake-on", 0.5)],
    )
    trace, asked = scene.trace(), lab.conditions(entry=1000.0)
    assert measure(kind, trace, asked) == measure(kind, trace, asked)


@pytest.mark.parametrize("kind", KINDS)
def test_ten_thousand_samples_take_no_time(lab, kind):
    """20 ms on an idle machine; ten times that here, so that a busy one does not fail."""
    scene = lab.Scene(
        end=10.0,
        speed=lab.ramps([(0.5, 0.0), (1.0, 2000.0), (3.0, 2000.0), (3.5, -2000.0)]),
        marks=[("command", 0.5), ("brake-on", 2.0), ("reverse", 3.0), ("set-point", 3.0)],
        states=[(0.0, DriveState.IDLE), (0.5, DriveState.RUN)],
    )
    trace, asked = scene.trace(), lab.conditions(entry=2000.0)
    assert len(trace.channels["witness.speed"]) == 10_001
    measure(kind, trace, asked)
    took = []
    for _ in range(5):
        start = time.perf_counter()
        measure(kind, trace, asked)
        took.append(time.perf_counter() - start)
    assert min(took) < 0.2


# -- channels that a rig does not have -----------------------------------------------------------


def replace_channels(trace: Trace, *, without: str) -> Trace:
    left = {name: channel for name, channel in trace.channels.items() if name != without}
    return replace(trace, channels=left)


def test_what_a_rig_has_no_channel_for_does_not_apply_and_says_why(lab, stall):
    trace = replace_channels(stall.trace(), without="witness.speed")
    absent = (("witness.speed", "the rig has no tachometer"),)
    found = lab.measures("stall", trace, absent=absent)
    told = found["speed-disagreement"]
    assert (told.outcome, told.detail) == (Outcome.NOT_APPLICABLE, "the rig has no tachometer")
    assert lab.measures("stall", trace)["speed-disagreement"].outcome is Outcome.MISSING_DATA
    # what the firmware reports stands in where nothing is held against it
    assert found["recovered"].outcome is Outcome.VALUE


def test_without_a_stand_in_for_the_stand_in_nothing_is_left():
    peak = definitions("start")["peak-current"]
    assert blocked_by(peak, [("reported.peak", "no peak")]) == ""
    both = [("reported.peak", "no peak"), ("reported.current", "no current")]
    assert blocked_by(peak, both) == "no peak"
    assert blocked_by(definitions("start")["telemetry-loss"], both) == ""


OPTIONAL = ("witness.speed", "witness.position", "reported.current", "reported.peak",
            "reported.voltage", "reported.temperature")  # fmt: skip


@pytest.mark.parametrize("channel", OPTIONAL)
@pytest.mark.parametrize("kind", KINDS)
def test_no_measure_misses_a_channel_that_the_rig_is_known_not_to_have(lab, stall, kind, channel):
    """What can be had without a channel and what cannot is told by the definitions alone."""
    trace = replace_channels(stall.trace(), without=channel)
    found = lab.measures(kind, trace, entry=2000.0, absent=((channel, "not there"),))
    for measured in found.values():
        assert f"{channel} was not captured" not in measured.detail, measured


@pytest.mark.parametrize("kind", KINDS)
def test_what_needs_the_sense_of_rotation_is_known_beforehand(lab, stall, kind):
    """Before a run it is said which bands a tachometer without it cannot judge."""
    absent = (("witness.position", "not there"),)
    found = lab.measures(kind, stall.trace(), entry=2000.0, absent=absent, senses_direction=False)
    told = "the tachometer does not sense the direction of rotation"
    assert {one.name for one in found.values() if one.detail == told} == set(directional(kind))
