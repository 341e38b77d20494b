"""Any bytes on any link: no exception, bounded memory, and good frames again within two."""

from __future__ import annotations

import importlib.util
import subprocess
import sys
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from hil.drivers.codec import Codec
from hil.drivers.framing.length import LengthFraming
from hil.drivers.framing.make import make_framing
from hil.drivers.make_watch import make_watch
from hil.drivers.scripted import ScriptedBoard
from hil.plan.load import load_profile

ROOT = Path(__file__).parents[3]
DESCRIPTIONS = {
    path.name.removesuffix(".profile.yaml"): load_profile(path)
    for path in sorted((ROOT / "testplans" / "profiles").glob("**/*.profile.yaml"))
}
FRAMED = {name: d for name, d in DESCRIPTIONS.items() if d.framing.kind != "modbus"}


def telemetry(description, count):
    board = ScriptedBoard(description)
    return [board.telemetry(0.001 * number) for number in range(count)]


STREAMS = {name: telemetry(description, 40) for name, description in FRAMED.items()}


def kept(framing) -> int:
    return len(framing._rest if isinstance(framing, LengthFraming) else framing._splitter._rest)


@st.composite
def streams(draw: st.DrawFn):
    """Bytes that look like the link's own: pieces of good frames, changed, cut and mixed."""
    name = draw(st.sampled_from(sorted(FRAMED)))
    good = st.sampled_from(STREAMS[name])

    def damage(frame, at, byte):
        at %= len(frame)
        return frame[:at] + bytes([byte]) + frame[at + 1 :]

    piece = st.one_of(
        st.binary(max_size=40),
        good,
        st.builds(lambda frame, at: frame[: at % len(frame)], good, st.integers(0, 80)),
        st.builds(lambda frame, at: frame[at % len(frame) :], good, st.integers(0, 80)),
        st.builds(damage, good, st.integers(0, 80), st.integers(0, 255)),
    )
    return name, draw(st.lists(piece, max_size=8))


@settings(deadline=None, max_examples=300)
@given(streams())
def test_good_frames_arrive_again_within_two(stream):
    name, pieces = stream
    description = FRAMED[name]
    framing, codec = make_framing(description.framing), Codec(description)
    for piece in pieces:
        codec.sort(framing.feed(piece).frames)
        assert kept(framing) <= description.framing.longest + 8
    arrived = []
    for frame in STREAMS[name]:
        found = codec.sort(framing.feed(frame).frames)
        arrived += found.telemetry
    sent = []
    for frame in STREAMS[name]:
        sent += make_framing(description.framing).feed(frame).frames
    # noise before may decode to something where the profile names no checksum
    assert arrived[-len(sent) + 2 :] == sent[2:]


@settings(deadline=None, max_examples=200)
@given(st.sampled_from(sorted(DESCRIPTIONS)), st.lists(st.binary(max_size=120), max_size=6))
def test_any_bytes_are_counted_and_never_raise(name, pieces):
    watch = make_watch(DESCRIPTIONS[name])
    for number, piece in enumerate(pieces):
        watch.piece(float(number), number % 3 == 2, piece)
    assert watch.received + watch.sent == sum(map(len, pieces))


@settings(deadline=None, max_examples=200)
@given(st.sampled_from(sorted(FRAMED)), st.lists(st.binary(max_size=60), max_size=8), st.data())
def test_any_payload_with_the_right_key_is_decoded_or_named_bad(name, bodies, data):
    description = FRAMED[name]
    codec = Codec(description)
    from hil.drivers.layout import Layout

    layout = Layout(description.framing)
    heads = [
        layout.key(m.name, m.key) if m.key != "" else b"" for m in description.messages.values()
    ]
    separator = b"" if layout.binary else layout.separator
    payloads = [data.draw(st.sampled_from(heads)) + separator + body for body in bodies]
    found = codec.sort(payloads)
    others = sum(map(len, found.others.values()))
    assert len(found.telemetry) + len(found.messages) + len(found.bad) + others == len(payloads)
    for kind, frames in (("telemetry", found.telemetry), *found.others.items()):
        batch = codec.telemetry(frames, 1.0, kind)
        assert all(column.shape == (int(batch.good.sum()),) for column in batch.values.values())
        assert len(batch.bad) >= int((~batch.good).sum())


@pytest.mark.parametrize("name", sorted(FRAMED))
def test_a_megabyte_of_noise_is_not_kept(name):
    import random

    description = FRAMED[name]
    framing = make_framing(description.framing)
    noise = random.Random(1).randbytes(1 << 16)
    for _ in range(16):
        framing.feed(noise)
        assert kept(framing) <= description.framing.longest + 8


def test_coverage_guided():
    """The same rules with inputs that look for new paths through the decoders."""
    if importlib.util.find_spec("atheris") is None:
        pytest.skip("the fuzzing engine has no wheel for this platform")
    done = subprocess.run(
        [sys.executable, "-m", "ci.fuzz_decoders", "-runs=1500", "-seed=1"],
        capture_output=True, text=True, cwd=ROOT, timeout=120, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr[-2000:]
