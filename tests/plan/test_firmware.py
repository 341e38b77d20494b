"""The firmware of the simulated bench in a rig file: files found, wrong entries told in place."""

from __future__ import annotations

import re
import textwrap
from pathlib import Path

import pytest

from hil.core.errors import PlanError
from hil.plan.load import load_rig

SHIPPED = Path(__file__).parents[2] / "testplans" / "rigs"


@pytest.fixture
def rig_with(tmp_path):
    """``rig_with(text)``: a rig file in its own folder, ``twin: firmware:`` being `text`."""

    def make(text: str, name: str = "mine.yaml") -> Path:
        lines = "".join(f"    {line}\n" for line in text.strip("\n").splitlines())
        base = SHIPPED / "dosing-pump.yaml"
        file = tmp_path / "rigs" / name
        file.parent.mkdir(exist_ok=True)
        file.write_text(f"based-on: {base}\nrig: mine\ntwin:\n  firmware:\n{lines}")
        return file

    return make


@pytest.fixture
def tree(tmp_path):
    """C sources beside the folder of the rig file."""
    for name, text in {
        "src/main.c": '#include "main.h"\n#include <math.h>\n',
        "src/speed.c": '  #  include "lib/gain.h"\n#include "firmware_port.h"\n',
        "src/main.h": '#include "deep.h"\n#include "main.h"\n',
        "common/lib/gain.h": "",
        "common/deep.h": '#include "lib/gain.h"\n',
        "common/unused.h": "",
    }.items():
        (tmp_path / name).parent.mkdir(parents=True, exist_ok=True)
        (tmp_path / name).write_text(text)
    return tmp_path


def names(paths) -> list[str]:
    return [path.name for path in paths]


def test_the_reference_firmware_is_the_default():
    rig = load_rig(SHIPPED / "dosing-pump.yaml")
    assert rig.firmware is None
    assert names(rig.files) == ["dosing-pump.yaml", "dosing-lines.profile.yaml"]


@pytest.mark.usefixtures("tree")
def test_sources_are_found_from_the_rig_file(rig_with):
    rig = load_rig(
        rig_with(
            """
kind: sources
sources:
  files: [../src/speed.c, ../src/*.c]
  include: [../common]
  defines: {POLES: 4, GAIN: 0.5f, NAME: '"X"', SIGNED: -3, RATIO: 0.25, PLAIN: }
  flags: [-O3]
"""
        )
    )
    found = rig.firmware
    assert found is not None
    assert names(found.sources) == ["speed.c", "main.c"]  # each once, in the order stated
    assert names(found.headers) == ["gain.h", "main.h", "deep.h"]
    assert found.name == "src"
    assert rig.twin.firmware.sources.defines == {
        "POLES": "4", "GAIN": "0.5f", "NAME": '"X"', "SIGNED": "-3", "RATIO": "0.25", "PLAIN": "",
    }  # fmt: skip
    assert rig.twin.firmware.isolate is True
    assert names(rig.files) == [
        "mine.yaml", "dosing-pump.yaml", "speed.c", "main.c", "gain.h", "main.h", "deep.h",
        "dosing-lines.profile.yaml",
    ]  # fmt: skip
    assert rig.profile_path.name == "dosing-lines.profile.yaml"


def test_a_library_is_found_from_the_rig_file(rig_with, tmp_path):
    (tmp_path / "drive.so").write_bytes(b"x")
    text = "kind: library\nlibrary: {path: ../drive.so}\nisolate: false"
    rig = load_rig(rig_with(text))
    assert rig.firmware.library.read_bytes() == b"x"
    assert rig.firmware.name == "drive.so"
    assert rig.twin.firmware.isolate is False
    assert "drive.so" in names(rig.files)


def test_a_path_belongs_to_the_file_that_states_it(rig_with, tree):
    first = rig_with("kind: sources\nsources: {files: [../src/main.c]}", "first.yaml")
    below = tree / "rigs" / "deeper"
    below.mkdir()
    second = below / "second.yaml"
    second.write_text("based-on: ../first.yaml\nrig: second\n")
    assert load_rig(second).firmware.sources[0].read_text() == (tree / "src/main.c").read_text()
    assert load_rig(second).firmware.position.file.endswith("first.yaml")
    assert load_rig(first).firmware is not None


@pytest.mark.parametrize(
    ("text", "line", "message"),
    [
        ("kind: sorces", 5, "expected 'reference', 'library' or 'sources', found 'sorces'"),
        ("kind: sources", 5, "kind is 'sources', but no sources is given"),
        ("kind: library", 5, "kind is 'library', but no library is given"),
        ("sources:\n  files: [../src/main.c]", 6, "kind is 'reference': expected kind: sources"),
        ("library: {path: x.so}", 5, "kind is 'reference': expected kind: library"),
        ("kind: library\nlibrary: {path: ../no.so}", 6, "library.path: there is no file"),
        ("kind: library\nlibrary: {pth: ../no.so}", 6, "unknown key 'pth'; did you mean 'path'?"),
        ("kind: library\nlibrary: {}", 6, "twin.firmware.library.path is missing"),
        ("kind: sources\nsources:\n  files: []", 7, "sources.files"),
        ("kind: sources\nsources:\n  files:\n    - ../src/main.c\n    - ../no.c", 9,
         "sources.files[2]: there is no file"),
        ("kind: sources\nsources:\n  files: [../src/*.cc]", 7, "there is no file"),
        ("kind: sources\nsources:\n  files: [../src/main.c]\n  include: [../nowhere]", 8,
         "include[1]: there is no folder"),
        ("kind: sources\nsources:\n  files: [../src/main.c]\n  defines: {2X: 1}", 8,
         "expected the name of a macro, found '2X'"),
        ("kind: sources\nsources:\n  files: [../src/main.c]\n  defines: {X: true}", 8,
         "expected a number, a text or nothing, found True"),
        ("kind: sources\nsources:\n  files: [../src/main.c]\n  flags: -O3", 8, "expected a list"),
        ("isolate: maybe", 5, "expected true or false"),
    ],
)  # fmt: skip
@pytest.mark.usefixtures("tree")
def test_wrong_entries_are_told_in_their_place(rig_with, text, line, message):
    file = rig_with(text)
    with pytest.raises(PlanError) as caught:
        load_rig(file)
    said = str(caught.value)
    assert message in said
    places = {part for part in said.split() if part.startswith(f"{file}:")}
    assert any(place.startswith(f"{file}:{line}:") for place in places), said


@pytest.mark.usefixtures("tree")
def test_all_wrong_paths_are_told_at_once(rig_with):
    file = rig_with("kind: sources\nsources:\n  files: [a.c, b.c]\n  include: [c]")
    with pytest.raises(PlanError) as caught:
        load_rig(file)
    assert [word in str(caught.value) for word in ("a.c", "b.c", "/c")] == [True] * 3


def test_the_rig_file_of_the_readme_is_one(tmp_path):
    readme = SHIPPED.parents[1] / "README.md"
    (block,) = (
        textwrap.dedent(text)
        for text in re.findall(r"^ *```yaml\n(.*?)^ *```$", readme.read_text(), re.S | re.M)
        if "kind: sources" in text
    )
    (tmp_path / "testplans").symlink_to(SHIPPED.parent)
    pump = tmp_path / "pump"
    pump.mkdir()
    (pump / "rig.yaml").write_text(block)
    (pump / "main.c").write_text("")
    profile = SHIPPED.parent / "profiles" / "dosing-lines.profile.yaml"
    (pump / "profile.yaml").write_text(profile.read_text())
    rig = load_rig(pump / "rig.yaml")
    assert names(rig.firmware.sources) == ["main.c"]
    assert rig.board.expect_model == "PUMP"
