"""The programs that flash a board: what they may be told, and where they are looked for."""

from __future__ import annotations

from pathlib import Path

import pytest

from hil.core.errors import PlanError
from hil.plan.load import load_rig

BASE = Path(__file__).parents[2] / "testplans" / "rigs" / "dosing-pump.yaml"


@pytest.fixture
def rig_with(tmp_path):
    def rig_with(flash: str, name: str = "rig.yaml", base: Path = BASE):
        path = tmp_path / name
        path.parent.mkdir(exist_ok=True)
        path.write_text(f"based-on: {base}\nrig: mine\nboard:\n  flash:\n{flash}")
        return path

    return rig_with


def flash_of(path: Path):
    flash = load_rig(path).board.flash
    assert flash is not None
    return flash


@pytest.mark.parametrize(
    ("words", "expected"),
    [
        ('[./flash.sh, "{board}", "{image}"]', ("%s/flash.sh", "{board}", "{image}")),
        ('[tools/flash, "{image}"]', ("%s/tools/flash", "{image}")),
        ('[my-flash-tool, "{image}"]', ("my-flash-tool", "{image}")),
        ('[/opt/flash, "file={image}"]', ("/opt/flash", "file={image}")),
        (
            '[python3, "{folder}/flash.py", "{image}"]',
            ("python3", "%s/flash.py", "{image}"),
        ),
        ('[tools/../flash, "{image}"]', ("%s/flash", "{image}")),
        ('["{folder}/flash", "{image}"]', ("%s/flash", "{image}")),
    ],
)
def test_a_program_is_looked_for_beside_the_file_that_names_it(
    rig_with, tmp_path, monkeypatch, words, expected
):
    path = rig_with(f"    command: {words}\n")
    monkeypatch.chdir("/")
    expected = tuple(word.replace("%s", str(tmp_path)) for word in expected)
    assert flash_of(path).command == expected
    assert flash_of(path).build == ()


def test_each_of_them_by_the_file_it_stands_in(rig_with, tmp_path):
    lab = rig_with('    command: [./flash, "{image}"]\n    watch: 1 s\n', "lab/base.yaml")
    flash = flash_of(rig_with('    build: [./build-id, "{image}"]\n', base=lab))
    assert flash.command == (f"{tmp_path}/lab/flash", "{image}")
    assert flash.build == (f"{tmp_path}/build-id", "{image}")
    assert flash.watch == 1.0


@pytest.mark.parametrize(
    ("lines", "line", "said"),
    [
        (
            '    command: [flash, "{bord}", "{image}"]\n',
            5,
            "board.flash.command: expected one of {image}, {board}, {folder}, found {bord}",
        ),
        (
            '    command: [flash, "{image}"]\n    build:\n      - id\n      - "{img}"\n',
            8,
            "board.flash.build: expected one of {image}, {board}, {folder}, found {img}",
        ),
        (
            '    command: [flash, "{board}"]\n',
            5,
            "board.flash.command: expected {image} in one of its words",
        ),
    ],
)
def test_a_slip_is_refused_with_its_line(rig_with, lines, line, said):
    path = rig_with(lines)
    with pytest.raises(PlanError) as refused:
        load_rig(path)
    assert said in str(refused.value)
    assert (refused.value.file, refused.value.line) == (str(path), line)
