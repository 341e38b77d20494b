"""Plans and rigs read back from the one folder that a run keeps them in."""

from __future__ import annotations

import shutil
from collections.abc import Callable
from pathlib import Path

import pytest

from hil.core.errors import PlanError
from hil.plan.collect import collect
from hil.plan.kept import collect_kept
from hil.store.folder import RunFolder

PLANS = ("nightly", "hall", "smoke")


@pytest.fixture
def keep(tmp_path: Path) -> Callable[..., tuple[Path, list[str]]]:
    """Keeps files as a run does; returns the folder and the names there."""

    def keep(*files: Path) -> tuple[Path, list[str]]:
        with RunFolder.create(tmp_path / "runs") as folder:
            names = folder.keep_inputs(files)
        return folder.path / "inputs", list(names)

    return keep


@pytest.mark.parametrize("rig", ["dosing-pump", "dosing-pump-cobs"])
@pytest.mark.parametrize("plan", PLANS)
def test_what_ships_comes_to_the_same_items(keep, shipped: Path, plan: str, rig: str) -> None:
    there = collect(shipped / f"{plan}.plan.yaml", shipped / "rigs" / f"{rig}.yaml")
    folder, names = keep(there.plan.path, *there.rig.files)
    (kept,) = collect_kept(folder, names, there.rig.rig)

    def facts(found):
        return [(i.id, i.marks, i.bands, i.repeats, i.success, i.lacks) for i in found]

    assert facts(kept.items) == facts(there.items)
    assert kept.left_out == there.left_out == ()
    assert kept.rig.board == there.rig.board


def test_files_of_one_name_are_told_apart_and_the_rig_is_the_one_on_top(
    keep, shipped: Path, tmp_path: Path
) -> None:
    for place in ("own", "base", "ground"):
        (tmp_path / place).mkdir()
    text = (shipped / "rigs" / "dosing-pump.yaml").read_text()
    (tmp_path / "ground" / "pump.yaml").write_text(text.replace("../profiles/", ""))
    shutil.copy(shipped / "profiles" / "dosing-lines.profile.yaml", tmp_path / "ground")
    (tmp_path / "base" / "pump.yaml").write_text(
        "based-on: ../ground/pump.yaml\nboard: {sensing: [hall]}\n"
    )
    (tmp_path / "own" / "pump.yaml").write_text("based-on: ../base/pump.yaml\nrig: mine\n")
    there = collect(shipped / "nightly.plan.yaml", tmp_path / "own" / "pump.yaml")
    assert there.left_out
    folder, names = keep(there.plan.path, *there.rig.files)
    assert {"pump.yaml", "pump-2.yaml", "pump-3.yaml"} <= set(names)
    (kept,) = collect_kept(folder, names, "mine")
    assert [item.id for item in kept.items] == [item.id for item in there.items]
    assert [(why, item.id) for why, item in kept.left_out] == [
        (why, item.id) for why, item in there.left_out
    ]


def test_several_plans_of_one_run(keep, shipped: Path) -> None:
    rig = shipped / "rigs" / "dosing-pump.yaml"
    found = [collect(shipped / f"{plan}.plan.yaml", rig) for plan in PLANS]
    folder, names = keep(*(one.plan.path for one in found), *found[0].rig.files)
    kept = collect_kept(folder, names, "dosing-pump")
    assert [len(one.items) for one in kept] == [len(one.items) for one in found]


def test_without_a_plan_there_is_nothing_to_expand(keep, shipped: Path) -> None:
    folder, names = keep(shipped / "test_greenhouse.py")
    assert collect_kept(folder, names, "dosing-pump") == ()


def test_a_rig_that_is_not_among_them_is_refused(keep, shipped: Path) -> None:
    there = collect(shipped / "smoke.plan.yaml")
    folder, names = keep(there.plan.path, *there.rig.files)
    with pytest.raises(PlanError, match=r"the file of rig other among .*, found dosing-pump"):
        collect_kept(folder, names, "other")
    with pytest.raises(PlanError, match="found none"):
        collect_kept(folder, [there.plan.path.name], "dosing-pump")


def test_a_file_that_is_gone_is_refused(keep, shipped: Path) -> None:
    there = collect(shipped / "smoke.plan.yaml")
    folder, names = keep(there.plan.path, *there.rig.files)
    (folder / "dosing-pump.yaml").unlink()
    with pytest.raises(PlanError, match="cannot be read"):
        collect_kept(folder, names, "dosing-pump")
