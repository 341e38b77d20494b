"""Generated histories: nothing a motor could notice changes, except where it is meant to."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from ci.bisecting_history import _CONSTANT, NAMES, History, _rewritten, example, seeded
from hil.plan.load import load_rig
from hil.scenarios.source_defects import seeded_into
from hil.twin.library import compiler

TESTPLANS = Path(__file__).parents[2] / "testplans"
SOURCES = example(TESTPLANS / "firmware" / "dosing_drive")
DEFECTS = seeded_into(load_rig(TESTPLANS / "rigs" / "dosing-pump-c.yaml"))


def test_it_begins_with_the_example_and_every_version_is_another_text() -> None:
    history = History(SOURCES, 60, seed=1, broken=0.0)
    texts = [history.text(version) for version in range(61)]
    first = {**texts[0], "config.h": texts[0]["config.h"].replace("C0000000", "C0DE0001")}
    assert first == SOURCES
    assert len({str(sorted(text.items())) for text in texts}) == 61
    assert History(SOURCES, 60, seed=1, broken=0.0).text(60) == texts[60]
    assert History(SOURCES, 60, seed=2, broken=0.0).text(60) != texts[60]


def test_the_names_it_changes_are_those_of_one_file_alone() -> None:
    for file, names in NAMES.items():
        for name in names:
            places = [one for one, text in SOURCES.items() if re.search(rf"\b{name}\b", text)]
            assert file in places
            code = "".join(re.sub(r"/\*.*?\*/", "", SOURCES[p], flags=re.S) for p in places)
            if name not in ("whole", "look", "crossing"):  # also words of comments
                assert places == [file], name
            assert code.count(name) >= 1


@settings(max_examples=60, deadline=None)
@given(st.lists(st.integers(0, 10**6), max_size=12))
def test_constants_keep_their_values(numbers: list[int]) -> None:
    config = SOURCES["config.h"]
    for number in numbers:
        config = _rewritten(config, number)

    def values(text: str) -> dict[str, float]:
        found = re.findall(r"#define (\w+) ([-+*().\def ]+?)(?: /\*.*)?$", text, re.M)
        return {name: eval(value.replace("f", "").strip()) for name, value in found}

    assert len(_CONSTANT.findall(SOURCES["config.h"])) > 20
    before, after = values(SOURCES["config.h"]), values(config)
    assert before == pytest.approx(after, rel=1e-12)


@settings(
    max_examples=40, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(st.sampled_from(sorted(DEFECTS)), st.integers(0, 2**31), st.integers(0, 200))
def test_a_defect_fits_into_any_version(name: str, seed: int, version: int) -> None:
    healthy = History(SOURCES, 200, seed, broken=0.0).text(version)
    changed = seeded(healthy, DEFECTS[name], SOURCES)
    edits = {seed.file for seed in DEFECTS[name].seeds if hasattr(seed, "file")}
    assert {file for file in healthy if healthy[file] != changed[file]} == edits


@pytest.fixture
def needs_compiler() -> None:
    if compiler() is None:
        pytest.skip("no C compiler on this machine")


@pytest.mark.usefixtures("needs_compiler")
def test_only_the_broken_versions_do_not_compile(tmp_path: Path) -> None:
    history = History(SOURCES, 12, seed=3)
    history.broken_at = frozenset({4, 9})
    made = {version: history.build(version, tmp_path) for version in (0, 4, 9, 10)}
    assert [version for version, library in made.items() if library is None] == [4, 9]
    assert history.build(10, tmp_path) == made[10]


@pytest.mark.usefixtures("needs_compiler")
def test_versions_without_a_defect_measure_the_same_to_the_last_digit(tmp_path: Path) -> None:
    from ci.bisecting_trials import run_item

    history = History(SOURCES, 200, seed=6, broken=0.0)
    results = []
    for version in (0, 200):
        library = history.build(version, tmp_path)
        assert library is not None
        done = run_item(library, "start.back-emf.cw.24v.1000rpm", "7")
        results.append([(m.name, m.value) for m in done.measures])
    assert results[0] == results[1]
    assert len(results[0]) > 10
