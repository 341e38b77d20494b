"""Defects seeded into sources in C: edits fit once, copies are laid out alike, originals stay."""

from __future__ import annotations

import ctypes

import pytest
from hypothesis import given
from hypothesis import strategies as st

from hil.core.errors import PlanError
from hil.twin.defects import Defect, Edit, Macro
from hil.twin.defects.sources import edited
from hil.twin.library import build, load
from hil.twin.port import INPUTS_AT, OUTPUTS_AT
from hil.twin.variation import Change

MAIN = """\
#include "firmware_port.h"
#include "limits.h"
#include "shared/odd.h"
int port_version(void) { return FIRMWARE_PORT_VERSION; }
void port_reset(double hz) { (void)hz; }
void port_period(const port_inputs *in, port_outputs *out) { (void)in; out->leds = LIMIT + ODD; }
void port_receive(const uint8_t *bytes, int count) { (void)bytes; (void)count; }
int port_transmit(uint8_t *bytes, int capacity) { (void)bytes; return capacity * 0; }
"""


@pytest.fixture
def project(tmp_path):
    """A source in a folder, a header beside it, one in a folder below, one in another folder."""
    root = tmp_path / "project"
    (root / "app" / "shared").mkdir(parents=True)
    (root / "config").mkdir()
    (root / "app" / "main.c").write_text(MAIN)
    (root / "app" / "shared" / "odd.h").write_text('#include "deep.h"\n#define ODD DEEP\n')
    (root / "config" / "limits.h").write_text("#define LIMIT 3\n")
    (root / "config" / "deep.h").write_text("#define DEEP 1\n")
    return root


def copies(project, tmp_path, *edits):
    return edited(
        [project / "app" / "main.c"],
        [
            project / "app" / "shared" / "odd.h",
            project / "config" / "limits.h",
            project / "config" / "deep.h",
        ],
        [project / "config"],
        edits,
        tmp_path / "kept",
    )


def test_an_edit_fits_exactly_once() -> None:
    edit = Edit("a.c", "x = 1", "x = 2")
    assert edit.applied("int x = 1;") == "int x = 2;"
    with pytest.raises(ValueError, match=r"expected 'x = 1' once in a.c, found it 0 times"):
        edit.applied("int y = 1;")
    with pytest.raises(ValueError, match="found it 2 times"):
        edit.applied("x = 1; x = 1;")


@given(st.text(max_size=40), st.text(min_size=1, max_size=3), st.text(max_size=5))
def test_the_rest_of_the_text_stays(text: str, find: str, replace: str) -> None:
    edit = Edit("a.c", find, replace)
    if text.count(find) != 1:
        with pytest.raises(ValueError, match="found it"):
            edit.applied(text)
        return
    head, tail = text.split(find)
    assert edit.applied(text) == head + replace + tail


@pytest.mark.parametrize("name", ["main.c", "limits.h", "deep.h"])
def test_what_is_compiled_is_the_edited_copy(project, tmp_path, name, firmware_c) -> None:
    """A source, a header of another folder, and one that only another header includes."""
    firmware_c()  # skips without a compiler
    edits = {
        "main.c": (Edit("main.c", "LIMIT + ODD", "LIMIT * 10"), 30),
        "limits.h": (Edit("limits.h", "LIMIT 3", "LIMIT 7"), 8),
        "deep.h": (Edit("deep.h", "DEEP 1", "DEEP 5"), 8),
    }
    edit, expected = edits[name]
    before = {path: path.read_bytes() for path in project.rglob("*") if path.is_file()}
    sources, include = copies(project, tmp_path, edit)
    binding = load(build(sources, include=include, folder=tmp_path))
    assert _leds(binding) == expected
    assert {path: path.read_bytes() for path in project.rglob("*") if path.is_file()} == before


def _leds(binding) -> int:
    call = ctypes.CFUNCTYPE(None, ctypes.c_void_p, ctypes.c_void_p)(binding.period)
    call(binding.address + INPUTS_AT, binding.address + OUTPUTS_AT)
    return int(binding.outputs()["leds"])


def test_the_same_edits_are_the_same_copies(project, tmp_path) -> None:
    edit = Edit("main.c", "LIMIT + ODD", "LIMIT")
    first, second = copies(project, tmp_path, edit), copies(project, tmp_path, edit)
    other = copies(project, tmp_path, Edit("main.c", "LIMIT + ODD", "ODD"))
    assert first == second != other
    assert not list((tmp_path / "kept").glob("*.partial"))
    assert len(list((tmp_path / "kept").iterdir())) == 2


def test_an_edit_of_no_file_is_refused(project, tmp_path) -> None:
    with pytest.raises(PlanError, match=r"an edit names lost.c, of which there are 0 among"):
        copies(project, tmp_path, Edit("lost.c", "a", "b"))
    with pytest.raises(PlanError, match="found it 0 times"):
        copies(project, tmp_path, Edit("main.c", "not there", "b"))


def test_seeds_become_one_variation() -> None:
    edits = Edit("a.c", "1", "2"), Edit("b.c", "3", "4")
    one = Defect("odd", "It is odd.", (Macro("SLOPE", "8"), *edits), ("timing",), ("ripple",))
    assert one.variation.changes == (
        Change("firmware.defines.SLOPE", "8"),
        Change("firmware.edits", edits),
    )
    assert str(one.seeds[0]) == "-DSLOPE=8"
    assert str(Macro("FAST", "")) == "-DFAST"
    assert str(Edit("a.c", "x", "y\n  z")) == "a.c: y z"
    assert str(Edit("a.c", "x", "")) == "a.c: nothing"
    assert str(Edit("a.c", "x", "a word " * 20)) == "a.c: " + "a word " * 8 + "..."
