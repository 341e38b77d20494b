"""A bench from opened parts: accuracies and intervals as rig file and link profile say."""

import pytest

from hil.bench.assemble import sources_of
from hil.plan.rig import Rig


def test_every_channel_has_the_accuracy_and_interval_of_the_rig_file(rig: Rig) -> None:
    sources = sources_of(rig)
    assert sources.accuracy["witness.speed"].resolution == 3.0
    assert sources.accuracy["supply.voltage"].absolute == pytest.approx(0.01)
    assert sources.accuracy["reported.temperature"].resolution == 1.0
    assert sources.interval["reported.speed"] == pytest.approx(1.0 / 200.0)
    assert sources.interval["witness.position"] == 0.001
    assert 0.0 < sources.line_time < 0.01
