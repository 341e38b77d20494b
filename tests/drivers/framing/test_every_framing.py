"""What every framing must have and do, whatever it looks like: told by kind, from the examples."""

from __future__ import annotations

from functools import cache
from pathlib import Path
from typing import get_args

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from hil.drivers.framing.make import KINDS as MADE
from hil.drivers.framing.make import make_framing
from hil.plan.load import load_profile
from hil.plan.profile_checks import FRAMING_KEYS
from hil.ports.link import FramingKind, FramingSpec

PROFILES = Path(__file__).parents[3] / "testplans" / "profiles"
PATHS = sorted(PROFILES.rglob("*.profile.yaml"))
#: Modbus frames end with silence, not with bytes: `hil.drivers.modbus` is no framing of this kind.
KINDS = sorted({*get_args(FramingKind), *MADE} - {"modbus"})


@cache
def specs() -> dict[str, FramingSpec]:
    """The framing of each shipped profile, by the name of its file."""
    found = {path.name.removesuffix(".profile.yaml"): load_profile(path) for path in PATHS}
    return {name: link.framing for name, link in found.items() if link.framing.kind != "modbus"}


def missing(kind: str) -> list[str]:
    """What a framing still lacks, each with the file it belongs to."""
    found = []
    if kind not in get_args(FramingKind):
        found.append("hil/ports/link.py: the kind in FramingKind, its keys in FramingSpec")
    if kind not in MADE:
        found.append("hil/drivers/framing/make.py: its class in KINDS")
    if not any(kind in kinds for kinds in FRAMING_KEYS.values()):
        found.append("hil/plan/profile_checks.py: the kind beside the keys it takes, FRAMING_KEYS")
    if kind not in {spec.kind for spec in specs().values()}:
        found.append(f"testplans/profiles/examples/{kind}.profile.yaml: an example")
    if f"| `{kind}`" not in (PROFILES / "README.md").read_text(encoding="utf-8"):
        found.append("testplans/profiles/README.md: its row in the table of framings")
    return found


@pytest.mark.parametrize("kind", KINDS)
def test_a_framing_is_complete(kind):
    lacks = missing(kind)
    assert not lacks, "\n".join([f"{kind} lacks", *lacks])


def test_what_is_missing_is_named_with_its_file():
    told = [line.partition(":")[0] for line in missing("morse")]
    assert told == [
        "hil/ports/link.py",
        "hil/drivers/framing/make.py",
        "hil/plan/profile_checks.py",
        "testplans/profiles/examples/morse.profile.yaml",
        "testplans/profiles/README.md",
    ]


#: Bytes that some framing gives a meaning to, and any others; text where only text is sent.
MEANT = st.sampled_from([0x00, 0x02, 0x03, 0x0A, 0x10, 0x7D, 0x7E, 0xAA, 0x55, 0xC0, 0xDB, 0xFF])
BYTES = st.lists(MEANT | st.integers(0, 255), min_size=1, max_size=24).map(bytes)
TEXT = st.text("abc,0123456789.-", min_size=1, max_size=24).map(str.encode)
CUTS = st.lists(st.integers(1, 40), max_size=6)


def payloads(spec):
    """Lists of messages that the framing can carry."""

    def carried(payload):
        try:
            return bool(make_framing(spec).encode(payload))
        except ValueError:  # a delimiter that is not escaped
            return False

    one = (TEXT if spec.kind == "lines" else BYTES).filter(carried)
    return st.lists(one, min_size=1, max_size=4)


def fed(framing, data, cuts):
    """Everything that comes of `data`, read in pieces."""
    frames, rejects = [], []
    for size in [*cuts, len(data)]:
        cut = framing.feed(data[:size])
        frames, rejects, data = [*frames, *cut.frames], [*rejects, *cut.rejects], data[size:]
    return frames, rejects


@pytest.mark.parametrize("name", specs())
@settings(deadline=None, max_examples=60)
@given(data=st.data(), cuts=CUTS)
def test_what_is_sent_arrives_in_order_however_it_is_cut(name, data, cuts):
    spec = specs()[name]
    sent = data.draw(payloads(spec))
    framing = make_framing(spec)
    stream = b"".join(framing.encode(payload) for payload in sent)
    assert fed(make_framing(spec), stream, cuts) == (sent, [])


@st.composite
def noise(draw, spec):
    """Bytes of any kind, or frames of which one byte was altered on the way."""
    if draw(st.booleans()):
        return draw(BYTES | st.binary(max_size=60))
    framing = make_framing(spec)
    stream = bytearray(b"".join(framing.encode(payload) for payload in draw(payloads(spec))))
    stream[draw(st.integers(0, len(stream) - 1))] = draw(MEANT | st.integers(0, 255))
    return bytes(stream)


@pytest.mark.parametrize("name", specs())
@settings(deadline=None, max_examples=150)
@given(data=st.data(), cuts=CUTS)
def test_noise_raises_nothing_and_is_over_within_one_longest_frame(name, data, cuts):
    spec = specs()[name]
    framing = make_framing(spec)
    fed(framing, data.draw(noise(spec)), cuts)
    one = framing.encode(b"1,2,3")
    # whatever the noise promised has ended when as many bytes have passed as a frame may have
    frames, _ = fed(framing, one * (spec.longest // len(one) + 3), cuts)
    assert frames[-1] == b"1,2,3"
    assert fed(framing, one, []) == ([b"1,2,3"], [])
