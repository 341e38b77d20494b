"""Profiles of every framing: what they become, and what is refused where."""

from __future__ import annotations

from pathlib import Path
from typing import get_args

import pytest

from hil.core.drive import Fault
from hil.core.errors import PlanError
from hil.drivers.framing.checksum import PLAIN
from hil.plan.load import load_profile
from hil.ports.link import COMMANDS, OPTIONAL_COMMANDS, PLAIN_CHECKSUMS, FramingKind

EXAMPLES = tuple(
    path.name.removesuffix(".profile.yaml")
    for path in sorted(
        Path(__file__).parents[2].joinpath("testplans/profiles/examples").glob("*.yaml")
    )
)


def path_of(shipped, name):
    return shipped / "profiles" / "examples" / f"{name}.profile.yaml"


@pytest.fixture
def edited(shipped, write):
    """An example profile with one text replaced."""

    def make(name, old, new):
        text = path_of(shipped, name).read_text()
        assert old in text
        return write(text.replace(old, new, 1), "edited.profile.yaml")

    return make


def by_name(message):
    return {field.name: field for field in message.fields}


def test_there_is_an_example_of_every_kind_and_no_other_file(shipped):
    found = {
        path.name.removesuffix(".profile.yaml") for path in path_of(shipped, "x").parent.iterdir()
    }
    assert found == set(EXAMPLES)
    kinds = {load_profile(path_of(shipped, name)).framing.kind for name in EXAMPLES}
    # the project's own profiles show COBS
    assert kinds == {*get_args(FramingKind)} - {"cobs"}


def test_the_reference_page_names_every_key(shipped):
    from hil.plan.model import kebab
    from hil.plan.profile import CHANNELS, ROLES, Field_, Framing

    page = (shipped / "profiles" / "README.md").read_text()
    keys = [kebab(name) for model in (Framing, Field_) for name in model.model_fields]
    words = [*keys, *ROLES, *(name.removeprefix("reported") for name in CHANNELS), *COMMANDS]
    missing = [word for word in words if word not in page and word != "reset-cause"]
    assert missing == []
    for name in EXAMPLES:
        assert f"examples/{name}.profile.yaml" in page


def test_plain_checksums_are_the_same_list_on_both_sides():
    assert set(PLAIN_CHECKSUMS) == set(PLAIN)


@pytest.mark.parametrize("name", EXAMPLES)
def test_examples_have_what_a_bench_needs(shipped, name):
    link = load_profile(path_of(shipped, name))
    optional = {*OPTIONAL_COMMANDS, *({"identify"} if name == "modbus" else set())}
    assert set(COMMANDS) - optional <= set(link.commands)
    assert ("select-sensing" in link.commands) is (link.sensing == "")


def test_slip_parts(shipped):
    link = load_profile(path_of(shipped, "slip"))
    status = by_name(link.messages["telemetry"])["status"]
    state, faults, temperature = status.parts
    assert (state.low, state.width, state.channel) == (0, 3, "reported.state")
    assert (faults.low, faults.width, faults.bits[2]) == (3, 3, Fault.HALL)
    assert (temperature.low, temperature.width, temperature.signed) == (6, 8, True)
    assert temperature.missing == -128
    assert link.framing.checksum == "SUM-16/NEGATED"


def test_delimited_marks(shipped):
    link = load_profile(path_of(shipped, "delimited"))
    framing = link.framing
    assert (framing.start, framing.end, framing.escape, framing.escape_xor) == (
        b"\x7e", b"\x7e", 0x7D, 0x20,
    )  # fmt: skip
    assert link.commands["start"].reply == 0x91
    group = by_name(link.commands["select-sensing"])["group"]
    assert group.constant == 7
    temperature = by_name(link.messages["telemetry-slow"])["temperature"]
    assert (temperature.scale, temperature.offset, temperature.missing) == (1.0, -40.0, 255)
    assert link.hold == 0.5


def test_length_layout(shipped):
    framing = load_profile(path_of(shipped, "length")).framing
    assert (framing.sync, framing.length_at, framing.length_size, framing.length_counts) == (
        b"\xaa\x55", 2, 2, "rest",
    )  # fmt: skip
    assert (framing.covers, framing.key_size) == ("after-sync", 2)


def test_console_polls(shipped):
    link = load_profile(path_of(shipped, "lines-console"))
    assert (link.framing.prompt, link.framing.echo, link.framing.terminator) == (
        b"> ", True, b"\r\n",
    )  # fmt: skip
    assert [(p.answer, p.period, p.request.key) for p in link.polls] == [
        ("telemetry", 0.02, "?"),
        ("telemetry-slow", 0.5, "temp?"),
    ]
    assert link.telemetry_rate == pytest.approx(50.0)
    telemetry = by_name(link.messages["telemetry"])
    assert link.messages["telemetry"].key == ""
    assert telemetry["fault"].values == {0: Fault.NONE, 10: Fault.STALL, 11: Fault.OVER_CURRENT}
    assert by_name(link.messages["telemetry-slow"])["temperature"].missing_text == "--"
    assert (link.commands["stop"].retries, link.commands["clear"].timeout) == (1, 1.0)
    assert by_name(link.commands["start"])["direction"].choices == {"cw": 0, "ccw": 1}


def test_modbus_places(shipped):
    link = load_profile(path_of(shipped, "modbus"))
    start = link.commands["start"]
    assert (start.table, start.address, start.then[0].table, start.then[0].address) == (
        "holding", 101, "coil", 0,
    )  # fmt: skip
    assert (link.framing.device, link.framing.word_order) == (17, "low-first")
    assert [poll.request for poll in link.polls] == [None, None]
    assert link.telemetry_rate == pytest.approx(20.0)


@pytest.mark.parametrize(
    ("name", "old", "new", "message"),
    [
        ("slip", "kind: slip", "kind: slip\n  sync: [1]", "framing.sync: only for the kind length"),
        ("slip", "kind: slip", "kind: slip\n  echo: true", "echo: only for the kind lines, not"),
        ("slip", "SUM-16/NEGATED", "SUM-16/NEGATE", "did you mean 'SUM-16/NEGATED'?"),
        ("slip", "SUM-16/NEGATED", "CRC-7/MMC", "does not fill whole bytes"),
        ("slip", "range: 6..13", "range: 6..16", "range: u16 has the bits 0 to 15"),
        ("slip", "range: 6..13", "range: 13..6", "expected a bit such as 5 or bits such as 0..3"),
        ("slip", "range: 6..13", "range: high", "expected a bit such as 5"),
        ("slip", "name: status\n", "name: status\n        role: sequence\n", "parts: only in"),
        ("slip", "type: f32, channel", "type: number, channel", "in a binary protocol expected u8"),
        ("slip", "states: {0: idle, 1: align", "words: {0: idle}, states: {0: idle, 1: align",
         "words: only for a field without channel"),
        ("slip", "unit: rpm}]}\n  set", "unit: rpm}, {name: x, type: u8}]}\n  set",
         "a field of a command needs a role or a constant"),
        ("slip", "{name: model, type: text, size: 12, role: model}",
         "{name: model, type: text, size: 12, role: model}\n"
         "      - {name: x, type: u8, constant: 1}", "constant: only for a field of a command"),
        ("slip", "missing: -32768", 'missing: "--"', "a text can only stand for a number"),
        ("slip", "stop: {key: 4}", "stop: {key: 4, fields: [{name: x, type: u8, role: sequence}]}",
         "role: stop has no argument 'sequence', it has constants only"),
        ("slip", "type: f32, role: speed", "type: f32, role: rate",
         "role: start has no argument 'rate', expected speed, magnitude, direction"),
        ("slip", "type: u16, role: sequence, modulus: 65536", "type: u16, role: rate, unit: Hz",
         "role: rate is an argument of a command, not part of a message"),
        ("slip", "2: hall}", "3: hall}", "part 'faults': bits: it has the bits 0 to 2"),
        ("lines-console", '{key: "?"}', '{key: "?", fields: [{name: x, type: number, role: rate, '
         'unit: Hz}]}', "role: request has no argument 'rate'"),
        ("slip", "select-sensing", "sensing-select", "unknown name 'sensing-select'"),
        ("slip", "baud: 921600", "baud: 921600\nsensing: hall", "only for a drive without"),
        ("delimited", "end: [0x7E]", "end: []", "the kind delimited needs end bytes"),
        ("delimited", "end: [0x7E]", "end: [300]", "expected a list of bytes such as"),
        ("delimited", "byte: 0x7D", "byte: 0x7E", "the byte is also a start or end byte"),
        ("delimited", "xor: 0x20", "xor: 0x03", "xor 0x03 makes a start, end or escape byte"),
        ("delimited", "{byte: 0x7D, xor: 0x20}", "{bite: 0x7D}", "unknown key 'bite'; did you"),
        ("delimited", "reply: 0x91", "reply: 0xA0", "reply: key 0xA0 is that of telemetry"),
        ("delimited", "key: 0xA1", "key: 0xA0", "key 0xA0 is also that of telemetry"),
        ("delimited", "reply: 0x91", "reply: 300", "reply: expected a number from 0 to 255"),
        ("delimited", "reported.voltage, unit: 10 mV", "reported.current, unit: A",
         "reported.current is also fed by telemetry"),
        ("delimited", "telemetry-slow:", "slow-telemetry:", "unknown name 'slow-telemetry'"),
        ("length", "size: 2, counts", "size: 3, counts", "expected 1, 2 or 4"),
        ("length", "counts: rest", "counts: all", "counts: expected 'message', 'rest'"),
        ("length", "key: 0x9001", "key: 0x19001", "a number from 0 to 65535, found"),
        ("length", "sensing: back-emf\n", "", "without select-sensing the profile needs"),
        ("lines-console", "key: halt", 'key: "ha lt"', "commands.stop.key: expected a word"),
        ("lines-console", "answer: telemetry-slow", "answer: telemetry-slo", "did you mean 'telem"),
        ("lines-console", "every: 20 ms", "every: 0 ms", "every: expected more than zero"),
        ("lines-console", "every: 20 ms", "every: 20", "expected a time with its unit"),
        ("lines-console", 'request: {key: "?"}, ', "", "needs its request"),
        ("lines-console", "clear: {key: clear, timeout: 1 s}",
         "clear: {key: clear}\n  stream: {key: s, fields: [{name: r, type: number, role: rate, "
         "unit: Hz}]}", "a board that is polled has no command stream"),
        ("lines-console", '  - {request: {key: "temp?"}, answer: telemetry-slow, every: 500 ms}\n',
         "", "poll: nothing asks for telemetry-slow"),
        ("lines-console", "faults: {0: none", "faults: {0: nun", "unknown name 'nun'"),
        ("lines-console", "faults: {0: none, 0x0A: stall, 0x0B: over-current}", "unit: rpm",
         "reported.fault needs either bits or faults"),
        ("lines-console", "type: hex", "type: u8", "expected number, hex or text, found 'u8'"),
        ("lines-console", "choices: {cw: 0, ccw: 1}", "choices: {left: 0, right: 1}",
         "choices: expected ccw and cw, found left, right"),
        ("lines-console", "{name: direction, type: number, role: direction, choices: {cw: 0, ccw: "
         "1}}\n      - ", "", "no field has the role 'direction'"),
        ("lines-console", "  done: {key: OK}\n", "", "refused without done"),
        ("modbus", "device: 17", "device: 248", "expected at most 247, found"),
        ("modbus", "device: 17", "device: 17, checksum: XOR-8", "checksum: only for the kind"),
        ("modbus", "  clear: {table: coil", "  clear: {table: input", "cannot be written"),
        ("modbus", "  clear: {table: coil, at: 1", "  clear: {table: coil", "needs table, 'at'"),
        ("modbus", "  clear: {table: coil, at: 1", "  clear: {key: 1, table: coil, at: 1",
         "a modbus message has a table and 'at' instead"),
        ("modbus", "table: coil, at: 1, fields: [{name: clear, type: bit", "table: coil, at: 1, "
         "fields: [{name: clear, type: f32", "in a coil expected bit, u8, u16, u32, found 'f32'"),
        ("modbus", "type: u16, channel: reported.state", "type: u8, channel: reported.state",
         "registers have 16 bits, u8 does not fill them"),
        ("modbus", "poll:\n  - {answer: telemetry, every: 50 ms}\n", "poll:\n",
         "poll: nothing asks for telemetry"),
        ("modbus", "  telemetry-slow:", "  done: {table: input, at: 9, fields: [{name: x, type: "
         "u16}]}\n  telemetry-slow:", "done has no place in a modbus profile"),
        ("nmea", "XOR-8", "XOR8", "did you mean 'XOR-8'?"),
        ("nmea", "digits: any", "digits: lowercase", "did you mean 'lower'?"),
        ("nmea", 'begin: "$"', "begin: 36", "expected a text (put digits in quotes)"),
        ("nmea", "begin:", "beginn:", "unknown key 'beginn'; did you mean 'begin'?"),
        ("nmea", "key: PDRVH", "table: coil", "table and 'at' are only for the kind modbus"),
    ],
)  # fmt: skip
def test_refused(edited, name, old, new, message):
    path = edited(name, old, new)
    with pytest.raises(PlanError) as caught:
        load_profile(path)
    assert message in str(caught.value)
    assert caught.value.file == str(path)
    assert caught.value.line is not None
    assert caught.value.column is not None


def test_a_problem_points_at_its_line(edited):
    path = edited("slip", "range: 6..13", "range: 6..16")
    with pytest.raises(PlanError) as caught:
        load_profile(path)
    lines = path.read_text().splitlines()
    assert "name: status" in lines[caught.value.line - 1]


def test_a_firmware_that_counts_counter_clockwise_positive(edited):
    path = edited("length", "reported.speed, unit: rpm", "reported.speed, unit: -1 rpm")
    assert by_name(load_profile(path).messages["telemetry"])["speed"].scale == -1.0
