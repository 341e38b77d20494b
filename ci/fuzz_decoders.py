"""Coverage-guided fuzzing of everything that decodes bytes from a board.

    python -m ci.fuzz_decoders -runs=200000            # arguments of the fuzzing engine
    python -m ci.fuzz_decoders -max_total_time=600 CORPUS_FOLDER

The first byte picks a link profile, the second where the rest is cut in two reads. Whatever the
bytes are, no exception may come out, what is kept stays within the longest frame, and of the frames
sent afterwards all but the first two must arrive.
"""

from __future__ import annotations

import sys
from pathlib import Path

import atheris

with atheris.instrument_imports(include=["hil.drivers"]):
    from hil.drivers.codec import Codec
    from hil.drivers.framing.base import Framing
    from hil.drivers.framing.blocks import BlockFraming
    from hil.drivers.framing.length import LengthFraming
    from hil.drivers.framing.lines import LineFraming
    from hil.drivers.framing.make import make_framing
    from hil.drivers.make_watch import make_watch
    from hil.drivers.scripted import ScriptedBoard

from hil.plan.load import load_profile
from hil.ports.link import LinkDescription

PROFILES = sorted(Path("testplans/profiles").glob("**/*.profile.yaml"))
DESCRIPTIONS = [load_profile(path) for path in PROFILES]
#: Frames enough to pass any length that noise can claim.
CLEAN = 60


def _clean(description: LinkDescription) -> bytes:
    board = ScriptedBoard(description)
    return b"".join(board.telemetry(0.001 * n) for n in range(CLEAN))


STREAMS = {
    description.name: _clean(description)
    for description in DESCRIPTIONS
    if description.framing.kind != "modbus"
}


def _kept(framing: Framing) -> int:
    """How many bytes wait for the rest of a frame."""
    if isinstance(framing, LengthFraming):
        return len(framing._rest)
    assert isinstance(framing, BlockFraming | LineFraming)
    return len(framing._splitter._rest)


def one_input(data: bytes) -> None:
    """Any bytes from a board, then clean telemetry."""
    if len(data) < 2:
        return
    description = DESCRIPTIONS[data[0] % len(DESCRIPTIONS)]
    cut, noise = data[1], data[2:]
    watch = make_watch(description)
    for t, part in enumerate((noise[:cut], noise[cut:])):
        watch.piece(float(t), False, part)
    if description.framing.kind == "modbus":
        return
    framing, codec = make_framing(description.framing), Codec(description)
    for part in (noise[:cut], noise[cut:]):
        codec.sort(framing.feed(part).frames)
        kept = _kept(framing)
        if kept > description.framing.longest + 8:
            raise AssertionError(f"{description.name}: {kept} bytes kept")
    arrived = len(codec.sort(framing.feed(STREAMS[description.name]).frames).telemetry)
    # without a checksum noise may pass for a frame and take the place of a good one
    if arrived < CLEAN - 2:
        raise AssertionError(f"{description.name}: {arrived} of {CLEAN} frames after {noise!r}")


def main() -> None:
    """Hand over to the fuzzing engine."""
    atheris.Setup(sys.argv, one_input)
    atheris.Fuzz()


if __name__ == "__main__":
    main()
