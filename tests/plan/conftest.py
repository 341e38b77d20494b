"""Files to start from, and a small catalogue of measures."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from pathlib import Path

import pytest

from hil.plan.load import load_rig
from hil.plan.rig import Rig

SHIPPED = Path(__file__).parents[2] / "testplans"

EVERY = {"speed-disagreement": "%", "telemetry-loss": "%"}
MEASURES = {
    "protection": {**EVERY, "tripped": "1"},
    "derating": {**EVERY, "derating-start": "degC"},
    "start": {
        **EVERY,
        "success": "1",
        "time-to-speed": "s",
        "overshoot": "%",
        "peak-current": "A",
        "backward-kick": "deg",
    },
    "reversal": {**EVERY, "success": "1", "peak-dc-link-voltage": "V", "peak-current": "A"},
    "stall": {**EVERY, "tripped": "1", "let-through": "A^2*s", "peak-current": "A"},
    "speed-step": {**EVERY, "transition-duration": "s", "overshoot": "%"},
    "steps": {**EVERY, "fault-count": "1", "peak-temperature": "degC"},
}


@pytest.fixture
def measures() -> Mapping[str, Mapping[str, str]]:
    return MEASURES


@pytest.fixture
def shipped() -> Path:
    """Folder of the files that come with the project."""
    return SHIPPED


@pytest.fixture(scope="session")
def rig() -> Rig:
    return load_rig(SHIPPED / "rigs" / "dosing-pump.yaml")


@pytest.fixture
def write(tmp_path: Path) -> Callable[..., Path]:
    """Write a text (or bytes) to a file of a fresh folder and return its path."""

    def write(text: str | bytes, name: str = "file.yaml") -> Path:
        path = tmp_path / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(text.encode() if isinstance(text, str) else text)
        return path

    return write


@pytest.fixture
def rig_file(write: Callable[..., Path]) -> Callable[..., Path]:
    """The shipped rig file with one text replaced, next to the profile it names."""
    text = (SHIPPED / "rigs" / "dosing-pump.yaml").read_text()
    profile = (SHIPPED / "profiles" / "dosing-lines.profile.yaml").read_text()

    def make(old: str = "", new: str = "") -> Path:
        assert old in text
        write(profile, "profiles/dosing-lines.profile.yaml")
        return write(text.replace(old, new, 1), "rigs/rig.yaml")

    return make
