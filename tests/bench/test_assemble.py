"""A bench from opened parts: accuracies and intervals as rig file and link profile say."""

from dataclasses import replace

import pytest

from hil.bench.assemble import frame_time, sources_of
from hil.plan.rig import Rig
from hil.ports.link import FieldSpec, FramingSpec, LinkDescription, MessageSpec


def test_every_channel_has_the_accuracy_and_interval_of_the_rig_file(rig: Rig) -> None:
    sources = sources_of(rig)
    assert sources.accuracy["witness.speed"].resolution == 3.0
    assert sources.accuracy["supply.voltage"].absolute == pytest.approx(0.01)
    assert sources.accuracy["reported.temperature"].resolution == 1.0
    assert sources.interval["reported.speed"] == pytest.approx(1.0 / 200.0)
    assert sources.interval["witness.position"] == 0.001
    assert 0.0 < sources.line_time < 0.01


def speaking(framing: FramingSpec, *fields: FieldSpec, baud: int = 10_000) -> LinkDescription:
    """A link whose telemetry has these fields."""
    telemetry = MessageSpec(name="telemetry", key=1, fields=fields)
    return LinkDescription(
        name="example", baud=baud, framing=framing, messages={"telemetry": telemetry}, commands={}
    )


def test_a_binary_frame_takes_ten_bits_a_byte_whatever_its_types() -> None:
    cobs = FramingSpec(kind="cobs")
    empty = frame_time(speaking(cobs))
    for kind, size in {"u8": 1, "i16": 2, "f32": 4, "u64": 8, "f64": 8}.items():
        frame = frame_time(speaking(cobs, FieldSpec(name="x", type=kind)))  # type: ignore[arg-type]
        assert frame - empty == pytest.approx(10.0 * size / 10_000), kind
    text = FieldSpec(name="x", type="text", size=12)
    assert frame_time(speaking(cobs, text)) - empty == pytest.approx(0.012)


def test_a_faster_line_takes_less_time() -> None:
    slow = speaking(FramingSpec(kind="lines"), FieldSpec(name="x", type="number"))
    fast = replace(slow, baud=40_000)
    assert frame_time(fast) == pytest.approx(frame_time(slow) / 4.0)
