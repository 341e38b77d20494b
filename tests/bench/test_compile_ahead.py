"""The half minute of the first run is announced, and is over before anything is run."""

from pathlib import Path

import pytest

from hil.bench import compile_ahead as module
from hil.bench.compile_ahead import SAID, compile_ahead
from hil.plan.load import load_rig
from hil.twin.drive import Drive

RIG = Path(__file__).parents[2] / "testplans" / "rigs" / "dosing-pump.yaml"


@pytest.fixture
def advanced(monkeypatch):
    """Times that simulated drives were advanced by, s."""
    times: list[float] = []
    real = Drive.advance

    def advance(self: Drive, seconds: float) -> None:
        times.append(seconds)
        real(self, seconds)

    monkeypatch.setattr(Drive, "advance", advance)
    return times


def test_it_is_said_before_it_is_done(monkeypatch, advanced) -> None:
    monkeypatch.setattr(module, "compiled_before", lambda: False)
    told: list[tuple[str, int]] = []
    compile_ahead(load_rig(RIG), lambda text: told.append((text, len(advanced))))
    assert told == [(SAID, 0)]
    assert sum(advanced) > 0.0  # the loop of the kernel was called, and is compiled


def test_nothing_is_said_or_done_a_second_time(monkeypatch, advanced) -> None:
    monkeypatch.setattr(module, "compiled_before", lambda: True)
    compile_ahead(load_rig(RIG), pytest.fail)
    assert advanced == []


def test_firmware_that_does_not_live_long_is_left_to_those_who_run_it(
    monkeypatch, firmware_c, tmp_path
) -> None:
    monkeypatch.setattr(module, "compiled_before", lambda: False)
    source = firmware_c(period="*(volatile int *)0 = 1;")
    file = tmp_path / "rig.yaml"
    file.write_text(
        f"based-on: {RIG}\nrig: tiny\ntwin: {{firmware: {{kind: sources, "
        f"sources: {{files: [{source}], flags: [-O0, -w]}}}}}}\n"
    )
    told: list[str] = []
    compile_ahead(load_rig(file), told.append)
    assert told == [SAID]
