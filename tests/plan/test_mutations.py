"""Whatever is done to a valid file, it loads or is refused with a place."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from hil.core.errors import PlanError
from hil.plan.expand import expand
from hil.plan.load import load_plan, load_profile, load_rig
from hil.plan.reader import read

SHIPPED = Path(__file__).parents[2] / "testplans"
RIG = (SHIPPED / "rigs" / "dosing-pump.yaml").read_text()
PROFILE = (SHIPPED / "profiles" / "dosing-cobs.profile.yaml").read_text()
PLAN = (SHIPPED / "smoke.plan.yaml").read_text()

#: Pieces that turn valid YAML into other YAML, or into none.
PIECES = st.sampled_from(
    [
        "", " ", "\n", "\n  ", ":", ": ", "-", "- ", "{", "}", "[", "]", "'", '"', "#", "&a", "*a",
        "!", "|", ">", "%", "@", "`", "\t", "\x00", "\x85", "\u2028", "\ufeff", "é", "0", "1e999",
        "-1", "nan", "null", "true", "~", "<<: ", "0x", "rpm", " V", "none", "2027-13-01", "---\n",
    ]
) | st.text(max_size=6)  # fmt: skip


@st.composite
def mutated(draw: st.DrawFn, text: str) -> str:
    """`text` with up to three stretches replaced by something else."""
    for _ in range(draw(st.integers(1, 3))):
        start = draw(st.integers(0, len(text)))
        length = draw(st.integers(0, 12))
        text = text[:start] + draw(PIECES) + text[start + length :]
    return text


@st.composite
def line_edited(draw: st.DrawFn, text: str) -> str:
    """`text` with lines dropped, doubled, swapped or moved in or out."""
    lines = text.splitlines(keepends=True)
    for _ in range(draw(st.integers(1, 3))):
        at = draw(st.integers(0, len(lines) - 1))
        match draw(st.sampled_from(["drop", "double", "swap", "indent", "outdent"])):
            case "drop":
                del lines[at]
            case "double":
                lines.insert(at, lines[at])
            case "swap":
                other = draw(st.integers(0, len(lines) - 1))
                lines[at], lines[other] = lines[other], lines[at]
            case "indent":
                lines[at] = "  " + lines[at]
            case "outdent":
                lines[at] = lines[at].removeprefix("  ")
    return "".join(lines)


def loads_or_names_the_place(load, path):
    error = None
    try:
        load(path)
    except PlanError as refused:
        error = refused
    if error is None:
        return
    assert error.file
    assert error.line is not None, error
    assert error.column is not None, error
    assert error.line >= 1
    assert error.column >= 1
    assert str(error).startswith(f"{error.file}:{error.line}:{error.column}: ")
    assert "Traceback" not in str(error)
    assert "pydantic" not in str(error)


@pytest.fixture
def folder(tmp_path):
    """A folder laid out as the shipped one."""
    (tmp_path / "rigs").mkdir()
    (tmp_path / "profiles").mkdir()
    (tmp_path / "rigs" / "dosing-pump.yaml").write_text(RIG)
    for name in ("dosing-lines", "dosing-cobs"):
        text = (SHIPPED / "profiles" / f"{name}.profile.yaml").read_text()
        (tmp_path / "profiles" / f"{name}.profile.yaml").write_text(text)
    return tmp_path


anyway = settings(
    suppress_health_check=[HealthCheck.function_scoped_fixture], deadline=None, max_examples=120
)


def written(path: Path, text: str) -> Path:
    path.write_bytes(text.encode("utf-8", "surrogatepass"))
    return path


@anyway
@given(text=mutated(RIG) | line_edited(RIG))
def test_rig_files(folder, text):
    loads_or_names_the_place(load_rig, written(folder / "rigs" / "rig.yaml", text))


@anyway
@given(text=mutated(PROFILE) | line_edited(PROFILE))
def test_profiles(folder, text):
    loads_or_names_the_place(load_profile, written(folder / "profiles" / "p.yaml", text))


@anyway
@given(text=mutated(PLAN) | line_edited(PLAN))
def test_plans(folder, rig, text):
    from hil.measures.catalogue import KINDS, definitions

    measures = {kind: {n: d.unit for n, d in definitions(kind).items()} for kind in KINDS}

    def load(path):
        for item in expand(load_plan(path), rig, measures):
            assert item.id.strip("abcdefghijklmnopqrstuvwxyz0123456789._-") == ""
            assert rig.motor.min_speed <= item.parameters.target or item.kind == "steps"

    loads_or_names_the_place(load, written(folder / "smoke.plan.yaml", text))


@anyway
@given(raw=st.binary(max_size=60))
def test_any_bytes(folder, raw):
    path = folder / "noise.yaml"
    path.write_bytes(raw)
    loads_or_names_the_place(read, path)
