"""A bench from opened parts: accuracies and intervals as rig file and link profile say."""

from pathlib import Path

import pytest

from hil.bench.assemble import abort_limits, sources_of
from hil.plan.load import load_rig
from hil.plan.rig import Rig

RIGS = Path(__file__).parents[2] / "testplans" / "rigs"


def test_every_channel_has_the_accuracy_and_interval_of_the_rig_file(rig: Rig) -> None:
    sources = sources_of(rig)
    assert sources.accuracy["witness.speed"].resolution == 3.0
    assert sources.accuracy["supply.voltage"].absolute == pytest.approx(0.01)
    assert sources.accuracy["reported.temperature"].resolution == 1.0
    assert sources.interval["reported.speed"] == pytest.approx(1.0 / 200.0)
    assert sources.interval["witness.position"] == 0.001
    assert 0.0 < sources.line_time < 0.01


def test_a_counter_is_asked_twenty_times_a_second_unless_told_otherwise(tmp_path: Path) -> None:
    """Asked each millisecond, as a memory is filled, no answer would ever come in time."""
    text = (
        (RIGS / "dosing-pump.yaml").read_text("utf-8").replace("profile: ..", f"profile: {RIGS}/..")
    )
    assert text.count("  interval: 1 ms\n") == 1
    file = tmp_path / "counted.yaml"
    file.write_text(text.replace("  interval: 1 ms\n", "  driver: counter\n"), "utf-8")
    assert sources_of(load_rig(file)).interval["witness.speed"] == 0.05


@pytest.mark.parametrize("senses", [True, False])
def test_the_wrong_direction_is_only_looked_for_where_it_can_be_seen(
    rig: Rig, senses: bool
) -> None:
    assert rig.tachometer is not None
    shaft = rig.tachometer.model_copy(update={"senses_direction": senses})
    assert abort_limits(rig.model_copy(update={"tachometer": shaft})).directed is senses
    assert abort_limits(rig.model_copy(update={"tachometer": None})).directed
