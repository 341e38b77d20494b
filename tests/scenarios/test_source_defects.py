"""The table of defects of own firmware in C: strict, known names, and each entry compiles."""

from __future__ import annotations

from pathlib import Path

import pytest

from hil.bench.simulated_firmware import compiled
from hil.core.errors import PlanError
from hil.core.verdict import Verdict
from hil.plan.load import load_rig
from hil.scenarios.campaign_task import Task, run_task
from hil.scenarios.source_defects import load_defects, seeded_into, table_of
from hil.twin.defects import DEFECTS, Edit, Macro

TESTPLANS = Path(__file__).parents[2] / "testplans"
RIG = TESTPLANS / "rigs" / "dosing-pump-c.yaml"


@pytest.fixture(scope="module")
def rig():
    return load_rig(RIG)


def table(tmp_path, text: str) -> Path:
    path = tmp_path / "defects.yaml"
    path.write_text(f"format: 1\ndefects:\n{text}")
    return path


def test_the_example_has_every_defect_of_the_reference(rig) -> None:
    found = seeded_into(rig)
    assert set(found) == set(DEFECTS)
    for name, one in found.items():
        known = DEFECTS[name]
        assert (one.consequence, one.tags, one.measures, one.odds) == (
            known.consequence, known.tags, known.measures, known.odds,
        )  # fmt: skip
        assert all(isinstance(seed, Macro | Edit) for seed in one.seeds)
    assert len({one.seeds for one in found.values()}) == len(found)


def test_macros_of_the_example_exist(rig) -> None:
    config = (TESTPLANS / "firmware" / "dosing_drive" / "config.h").read_text()
    for one in seeded_into(rig).values():
        for seed in one.seeds:
            if isinstance(seed, Macro):
                assert f"#ifndef {seed.name}\n" in config
                # Given by the rig file too, or in the header: what it becomes is another number.
                assert f"#define {seed.name} {seed.value}\n" not in config


@pytest.mark.parametrize(
    "name",
    [
        "failed-start-tried-again",
        "telemetry-checksum-wrong",
        "commutation-late",
        "clear-starts-the-motor",
    ],
)
def test_edited_sources_compile_without_a_warning(rig, name, firmware_c) -> None:
    firmware_c()  # skips without a compiler
    strict = rig.model_copy(deep=True)
    strict._firmware = rig._firmware
    sources = strict.twin.firmware.sources.model_copy(update={"flags": ("-Werror",)})
    firmware = strict.twin.firmware.model_copy(update={"sources": sources})
    twin = strict.twin.model_copy(update={"firmware": firmware})
    strict = strict.model_copy(update={"twin": twin})
    assert compiled(strict, seeded_into(rig)[name].variation).is_file()


@pytest.mark.parametrize(
    ("name", "item"),
    [("start-sluggish", "start.hall.cw.20v.2000rpm"), ("hall-code-missing", "start-loaded.hall")],
)
def test_a_seeded_defect_fails_where_the_healthy_firmware_passes(rig, name, item, firmware_c):
    firmware_c()  # skips without a compiler
    plan = str(TESTPLANS / "nightly.plan.yaml")
    good = run_task(Task(plan, item, str(RIG)))
    bad = run_task(Task(plan, item, str(RIG), seeded_into(rig)[name].variation))
    assert (good.verdict, bad.verdict) == (Verdict.PASS, Verdict.FAIL), (good.reason, bad.reason)


def test_one_s_own_defect_says_what_it_does(tmp_path, rig) -> None:
    path = table(
        tmp_path,
        "  dose-too-small:\n    consequence: It stops early.\n    tags: [stop]\n"
        "    measures: [stop-time]\n    odds: 0.5\n    defines: {RAMP_SPEED: 3, LINK_TIMEOUT: }\n",
    )
    one = seeded_into(rig, path)["dose-too-small"]
    assert (one.consequence, one.tags, one.measures) == (
        "It stops early.",
        ("stop",),
        ("stop-time",),
    )
    assert one.seeds == (Macro("RAMP_SPEED", "3"), Macro("LINK_TIMEOUT", ""))
    assert one.intermittent


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("  start-sluggish: {define: {SLOPE: 8}}\n", r":3:20: .*define.*did you mean 'defines'"),
        ("  start-sluggish: {defines: {SLOPE: 8}, tags: [start]}\n", r":3:3: .* is known"),
        ("  humming: {defines: {SLOPE: 8}}\n", r":3:3: .* expected consequence, tags, measures"),
        (
            "  humming: {consequence: It hums., defines: {SLOPE: 8}}\n",
            r":3:3: humming is not one that .*: expected tags, measures of it .*: start, ",
        ),
        ("  start-sluggish: {defines: {SLOP: 8}}\n", r":3:30: SLOP stands nowhere in config.h, c"),
        ("  start-sluggish: {}\n", r":3:3: start-sluggish changes nothing"),
        (
            "  start-sluggish:\n    edits:\n      - {file: control.c, find: nowhere, replace: x}\n",
            r":5:33: expected 'nowhere' once in control.c, found it 0 times",
        ),
        (
            "  start-sluggish:\n    edits:\n      - {file: lost.c, find: a, replace: b}\n",
            r":5:16: there is no lost.c among .*control.c",
        ),
        (
            "  humming: {consequence: It hums., measures: [ripple], tags: [noise], "
            "defines: {A: 1}}\n",
            r"no tag is called 'noise'",
        ),
    ],
)  # fmt: skip
def test_a_wrong_entry_is_told_at_its_place(tmp_path, rig, text, message) -> None:
    with pytest.raises(PlanError, match=message):
        load_defects(table(tmp_path, text), rig)


def test_a_macro_that_the_sources_define_themselves_is_told(tmp_path) -> None:
    (tmp_path / "fan.h").write_text("#define TRIP 20.0f\n")
    (tmp_path / "fan.c").write_text('#include "fan.h"\nfloat trip = TRIP;\n')
    rig = tmp_path / "fan.yaml"
    rig.write_text(
        f"based-on: {RIG.as_posix()}\nrig: fan\n"
        "twin: {firmware: {kind: sources, sources: {files: [fan.c]}}}\n"
    )
    text = (
        "  humming: {consequence: It hums., tags: [stall], measures: [ripple], "
        "defines: {TRIP: 40.0f}}\n"
    )
    with pytest.raises(PlanError, match=r":3:81: fan\.h:1 defines TRIP whatever .*'#ifndef TRIP'"):
        load_defects(table(tmp_path, text), load_rig(rig))
    (tmp_path / "fan.h").write_text("#ifndef TRIP\n#define TRIP 20.0f\n#endif\n")
    assert load_defects(table(tmp_path, text), load_rig(rig))["humming"].seeds


def test_edits_of_one_entry_see_each_other(tmp_path, rig) -> None:
    text = (
        "  start-sluggish:\n    edits:\n"
        '      - {file: control.c, find: "? 0.3f", replace: "? 0.4f"}\n'
        '      - {file: control.c, find: "? 0.4f", replace: "? 0.5f"}\n'
    )
    assert len(load_defects(table(tmp_path, text), rig)["start-sluggish"].seeds) == 2


def test_a_rig_with_the_reference_firmware_has_its_defects() -> None:
    reference = load_rig(TESTPLANS / "rigs" / "dosing-pump.yaml")
    assert table_of(reference) is None
    assert seeded_into(reference) == DEFECTS


def test_own_firmware_without_a_table_is_told() -> None:
    foc = load_rig(TESTPLANS / "rigs" / "dosing-pump-foc.yaml")
    with pytest.raises(PlanError, match=r"expected a defects.yaml beside its sources"):
        seeded_into(foc)


def test_a_table_needs_sources(tmp_path) -> None:
    reference = load_rig(TESTPLANS / "rigs" / "dosing-pump.yaml")
    path = table(tmp_path, "  start-sluggish: {defines: {SLOPE: 8}}\n")
    with pytest.raises(PlanError, match="names no sources"):
        seeded_into(reference, path)
