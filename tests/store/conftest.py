"""Entries of every kind, as examples and as hypothesis strategies."""

from __future__ import annotations

import pytest
from hypothesis import strategies as st

from hil.core.band import Band, Rule
from hil.core.measure import Measure, Outcome
from hil.core.record import (
    SCHEMA,
    Entry,
    Identity,
    ItemResult,
    ItemStart,
    Note,
    Resumed,
    RunEnd,
    RunStart,
    StateSpan,
)
from hil.core.verdict import Judgement, Verdict

UTC = "2026-03-01T22:15:09.123Z"

#: Any text at all: control characters, lone surrogates, line ends.
text = st.text(st.characters(codec=None), max_size=12)
finite = st.floats(allow_nan=False, allow_infinity=False)
count = st.integers(-(2**70), 2**70)
texts = st.lists(text, max_size=3).map(tuple)
mapping = st.dictionaries(text, text, max_size=3)

measure = st.one_of(
    st.builds(Measure, text, text, finite, st.none() | finite, finite, detail=text),
    st.builds(
        Measure.absent,
        text,
        text,
        st.sampled_from([o for o in Outcome if o is not Outcome.VALUE]),
        text,
    ),
)
band = st.tuples(text, finite, finite, text, st.sampled_from(Rule), text).map(
    lambda p: Band(p[0], min(p[1], p[2]), max(p[1], p[2]), p[3], p[4], p[5])
)
judgement = st.builds(
    Judgement,
    band,
    measure,
    st.sampled_from(Verdict),
    text,
    st.none() | finite,
    st.none() | finite,
    st.integers(0, 99),
)
identity = st.builds(
    Identity, role=text, maker=text, model=text, serial=text, revision=text, resource=text
)
identities = st.lists(identity, max_size=2).map(tuple)
span = st.builds(StateSpan, state=text, start=finite, end=finite, repeat=count)


@st.composite
def results(draw: st.DrawFn) -> ItemResult:
    measures = tuple(draw(st.lists(measure, max_size=3)))
    numbered = draw(st.booleans())
    repeats = tuple(draw(st.integers(0, 20)) for _ in measures) if numbered else ()
    return draw(
        st.builds(
            ItemResult,
            item=text,
            scenario=text,
            plan=text,
            title=text,
            conditions=mapping,
            verdict=st.sampled_from(Verdict),
            reason=text,
            utc=text,
            duration=finite,
            measures=st.just(measures),
            repeats=st.just(repeats),
            judgements=st.lists(judgement, max_size=2).map(tuple),
            spans=st.lists(span, max_size=2).map(tuple),
            traces=texts,
            requirements=texts,
            steps=texts,
        )
    )


ENTRIES: st.SearchStrategy[Entry] = st.one_of(
    st.builds(
        RunStart,
        run=text,
        utc=text,
        simulated=st.booleans(),
        bench=text,
        rig=text,
        plans=texts,
        items=texts,
        seed=count,
        identities=identities,
        hashes=mapping,
        host=mapping,
        motor=mapping,
        limits=mapping,
        schema=st.integers(0, SCHEMA),
    ),
    st.builds(ItemStart, item=text, utc=text, position=count, of=count),
    results(),
    st.builds(Note, utc=text, text=text, item=text, level=text),
    st.builds(
        Resumed,
        utc=text,
        number=count,
        bench=text,
        kept=count,
        again=texts,
        identities=identities,
        host=mapping,
        operator=text,
        environment=mapping,
    ),
    st.builds(
        RunEnd,
        utc=text,
        reason=text,
        counts=st.dictionaries(text, count, max_size=3),
        identities=identities,
    ),
)


@pytest.fixture(scope="session")
def entries() -> st.SearchStrategy[Entry]:
    """Strategy of entries of every kind with any content their types allow."""
    return ENTRIES


@pytest.fixture
def run_start() -> RunStart:
    return RunStart(
        run="r", utc=UTC, simulated=True, bench="twin", rig="dosing-pump", items=("a", "b", "c")
    )


@pytest.fixture
def item_start() -> ItemStart:
    return ItemStart(item="a", utc=UTC, position=1, of=3)


@pytest.fixture
def item_result() -> ItemResult:
    """One repeat with two measures: one judged twice, one without a band; and a whole-item rate."""
    peak = Measure("peak-current", "A", 3.7, 0.05, 0.01)
    never = Measure.absent("time-to-speed", "s", Outcome.NEVER_REACHED, "stuck at 310 rpm")
    rate = Measure("success", "1", 0.0)
    return ItemResult(
        item="a",
        scenario="start",
        plan="nightly.plan.yaml",
        title="A start",
        conditions={"direction": "cw"},
        verdict=Verdict.FAIL,
        reason="peak-current 3.7 A is above 3.5 A",
        utc=UTC,
        duration=2.5,
        measures=(peak, never),
        repeats=(1, 1),
        judgements=(
            Judgement(Band("success", 1.0, None, "1"), rate, Verdict.FAIL, "0 of 1", -1.0),
            Judgement(
                Band("peak-current", None, 3.5, "A", Rule.GUARDED, "REQ-1"),
                peak,
                Verdict.FAIL,
                "above",
                -0.2,
                0.001,
                1,
            ),
            Judgement(Band("peak-current", 0.1, 9.0, "A"), peak, Verdict.PASS, "in", 3.6, None, 1),
        ),
    )


@pytest.fixture
def run_end() -> RunEnd:
    return RunEnd(utc=UTC, reason="completed", counts={"fail": 1})
