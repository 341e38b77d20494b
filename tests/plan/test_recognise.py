"""A file given in place of one of another kind."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

import pytest

from hil.core.errors import PlanError
from hil.plan.load import load_plan, load_profile, load_rig
from hil.plan.pool import load_pool
from hil.plan.reader import read
from hil.plan.recognise import KINDS, kinds_of
from hil.plan.requirements import load_requirements
from hil.plan.waivers import load_waivers

LOADERS: Mapping[str, Callable[[Path], Any]] = {
    "plan": load_plan,
    "rig": load_rig,
    "profile": load_profile,
    "requirements": load_requirements,
    "waivers": load_waivers,
    "pool": load_pool,
}
HEADS = {
    "plan": "format: 1\nplan: demo\nrig: rig.yaml\nscenarios: []\n",
    "rig": "format: 1\nrig: demo\nmotor: {}\nboard: {}\n",
    "profile": "format: 1\nprofile: demo\nbaud: 9600\nframing: {}\n",
    "requirements": "format: 1\nrelease: demo\nrequirements: []\n",
    "waivers": "format: 1\nwaivers: {}\n",
    "pool": "format: 1\npool: []\n",
}


@pytest.mark.parametrize(("given", "wanted"), [(g, w) for g in HEADS for w in HEADS if g != w])
def test_it_is_named_and_so_is_the_command_that_takes_it(write, given, wanted) -> None:
    file = write(HEADS[given])
    with pytest.raises(PlanError) as caught:
        LOADERS[wanted](file)
    said = str(caught.value)
    names = f"expected {KINDS[wanted].name}, found {KINDS[given].name}"
    assert said.count("\n") == 0
    assert said.startswith(f"{file}:1:1: {names}; '")
    assert f"{file}" in said.partition("; '")[2]
    assert "{file}" not in said


def test_every_kind_that_is_known_is_tried_here() -> None:
    assert set(LOADERS) == set(HEADS) == set(KINDS)


def test_the_shipped_files_are_of_the_one_kind_that_their_names_say(shipped) -> None:
    for pattern, kind in (
        ("*.plan.yaml", "plan"),
        ("rigs/*.yaml", "rig"),
        ("profiles/**/*.profile.yaml", "profile"),
        ("*.requirements.yaml", "requirements"),
    ):
        files = sorted(shipped.glob(pattern))
        assert files
        for file in files:
            assert list(kinds_of(read(file))) == [kind], file


def test_what_is_of_no_kind_to_be_seen_is_told_what_it_lacks(write) -> None:
    with pytest.raises(PlanError) as caught:
        load_rig(write("format: 1\nrig: demo\n"))
    assert "motor is missing" in str(caught.value)


def test_a_plan_with_a_key_of_a_rig_is_read_as_a_plan(write) -> None:
    with pytest.raises(PlanError) as caught:
        load_plan(write(HEADS["plan"] + "motor: {}\n"))
    assert "unknown key 'motor'" in str(caught.value)
