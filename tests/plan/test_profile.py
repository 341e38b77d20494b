"""Link profiles: the description they become, and what is refused."""

import pytest

from hil.core.drive import DriveState, Fault
from hil.core.errors import PlanError
from hil.drivers.scripted import ScriptedBoard
from hil.plan.line_load import least_bytes, usual_bytes
from hil.plan.load import load_profile
from hil.ports.link import COMMANDS, MESSAGES


@pytest.fixture
def edited(shipped, write):
    """A shipped profile with one text replaced."""

    def make(old, new, name="dosing-lines"):
        text = (shipped / "profiles" / f"{name}.profile.yaml").read_text()
        assert old in text
        return write(text.replace(old, new, 1), "edited.profile.yaml")

    return make


def refused(path):
    with pytest.raises(PlanError) as caught:
        load_profile(path)
    return caught.value


def by_name(message):
    return {field.name: field for field in message.fields}


@pytest.mark.parametrize("name", ["dosing-lines", "dosing-cobs"])
def test_shipped_profiles_are_complete(shipped, name):
    link = load_profile(shipped / "profiles" / f"{name}.profile.yaml")
    assert link.name == name
    assert set(link.commands) == set(COMMANDS)
    assert set(link.messages) == set(MESSAGES)
    assert link.baud == 230400
    assert link.framing.checksum == "CRC-16/IBM-3740"
    assert link.refusals[2] == "a fault is latched, clear it first"
    telemetry = by_name(link.messages["telemetry"])
    assert telemetry["state"].values == {int(state): int(state) for state in DriveState}
    assert telemetry["faults"].bits == {
        0: Fault.OVER_CURRENT,
        1: Fault.STALL,
        2: Fault.OVER_VOLTAGE,
        3: Fault.UNDER_VOLTAGE,
        4: Fault.OVER_TEMPERATURE,
        5: Fault.HALL,
        6: Fault.START_FAILED,
        7: Fault.LINK_LOST,
    }
    assert telemetry["time"].scale == pytest.approx(1e-6)
    assert telemetry["time"].modulus == 2**32
    assert telemetry["sequence"].modulus == 256
    assert telemetry["temperature"].scale == pytest.approx(0.1)
    assert telemetry["temperature"].offset == 0.0
    sense = link.commands["select-sensing"].fields[0]
    assert sense.choices == {"hall": 0, "back-emf": 1}


def test_the_line_protocol(shipped):
    link = load_profile(shipped / "profiles" / "dosing-lines.profile.yaml")
    assert (link.framing.kind, link.framing.terminator, link.framing.separator) == (
        "lines",
        b"\n",
        ",",
    )
    assert link.commands["identify"].key == "id"
    assert link.commands["set-speed"].key == "speed"
    assert link.messages["telemetry"].key == "t"
    assert by_name(link.messages["telemetry"])["current"].scale == pytest.approx(1e-3)
    assert [field.name for field in link.messages["telemetry"].fields] == [
        "sequence", "time", "state", "faults", "speed", "set point", "current", "peak current",
        "voltage", "temperature",
    ]  # fmt: skip


def test_the_binary_protocol(shipped):
    link = load_profile(shipped / "profiles" / "dosing-cobs.profile.yaml")
    assert link.framing.byte_order == "little"
    assert [link.commands[name].key for name in COMMANDS] == [1, 2, 3, 4, 5, 6, 7]
    assert [link.messages[name].key for name in MESSAGES] == [0x81, 0x82, 0x83, 0x90]
    telemetry = link.messages["telemetry"]
    assert [field.type for field in telemetry.fields] == [
        "u8", "u32", "u8", "u16", "i16", "i16", "i16", "u16", "u16", "i16",
    ]  # fmt: skip
    assert by_name(telemetry)["voltage"].scale == pytest.approx(0.01)
    assert [field.size for field in link.messages["identity"].fields] == [16, 8, 8]


@pytest.mark.parametrize(
    ("unit", "scale", "offset"),
    [
        ("unit: degC", 1.0, 0.0),
        ("unit: 0.1 K", 0.1, -273.15),
        ("unit: 0.5 degC, offset: -40 degC", 0.5, -40.0),
    ],
)
def test_temperature_scales(edited, unit, scale, offset):
    link = load_profile(edited("unit: 0.1 degC", unit))
    field = by_name(link.messages["telemetry"])["temperature"]
    assert (field.scale, field.offset) == pytest.approx((scale, offset))


def test_several_codes_may_mean_one_state(edited):
    link = load_profile(edited("1: align, 2: ramp", "1: align, 0x11: align, 2: ramp"))
    states = by_name(link.messages["telemetry"])["state"].values
    assert states[1] == states[17] == DriveState.ALIGN


SET_SPEED = "set-speed: {key: speed, fields: [{name: speed, type: number, role: speed, unit: rpm}]}"


@pytest.mark.parametrize("name", ["speed", "set point"])
def test_one_command_of_the_board_may_serve_start_and_set_speed(edited, name):
    one = SET_SPEED.replace("key: speed", "key: start").replace("name: speed", f"name: {name}")
    link = load_profile(edited(SET_SPEED, one))
    assert link.commands["set-speed"].key == link.commands["start"].key == "start"


@pytest.mark.parametrize(
    "fields",
    [
        "{name: speed, type: number, role: speed, unit: 0.1 rpm}",
        "{name: speed, type: number, role: speed, unit: rpm}, {name: x, type: number, constant: 1}",
        "{name: speed, type: hex, role: speed, unit: rpm}",
    ],
)
def test_a_key_twice_with_other_fields_is_refused(edited, fields):
    path = edited(SET_SPEED, f"set-speed: {{key: start, fields: [{fields}]}}")
    said = str(refused(path))
    assert said.startswith(f"{path}:20:20: commands.set-speed: key 'start' is also that of start; ")
    assert said.endswith("one command of the board can serve both, with the same fields")


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        (
            "kind: lines",
            "kind: morse",
            "framing.kind: expected 'lines', 'cobs', ",
        ),
        (
            "CRC-16/IBM-3740",
            "CRC-16/IBM-3741",
            "unknown checksum 'CRC-16/IBM-3741'; did you mean 'CRC-16/IBM-3740'?",
        ),
        ("  stop: {key: stop}\n", "", "commands: stop is missing"),
        ("  stop: {key: stop}", "  halt: {key: stop}", "commands: unknown name 'halt'"),
        ("stop: {key: stop}", "stop: {key: clear}", "key 'clear' is also that of stop"),
        ("stop: {key: stop}", "stop: {key: 4}", "commands.stop.key: expected a word, found 4"),
        (
            "channel: reported.speed,",
            "channel: reported.sped,",
            "unknown channel 'reported.sped'; did you mean 'reported.speed'?",
        ),
        ("role: sequence,", "role: sequense,", "unknown role 'sequense'; did you mean 'sequence'?"),
        ("0: idle", "0: idel", "field 'state': unknown name 'idel'; did you mean 'idle'?"),
        ("1: stall", "1: stal", "field 'faults': unknown name 'stal'; did you mean 'stall'?"),
        ("1: stall", "40: stall", "expected bit numbers from 0 to 31, found 40"),
        ("0: idle", "zero: idle", "expected a whole number before the colon, found 'zero'"),
        ("unit: mV", "unit: mA", "field 'voltage': unit: expected a voltage with its unit"),
        (", unit: mV", "", "field 'voltage': unit: a voltage needs its unit"),
        ("role: model", "role: model, unit: V", "a unit is only for a field"),
        ("unit: mV", "unit: 0 mV", "would always be zero"),
        (
            "number, channel: reported.voltage",
            "u16, channel: reported.voltage",
            "on a line protocol expected number, hex or text, found 'u16'",
        ),
        ("role: revision", "role: serial", "messages.identity: no field has the role 'revision'"),
        (
            "channel: reported.setpoint",
            "channel: reported.speed",
            "more than one field has the channel 'reported.speed'",
        ),
        (
            "      - {name: speed, type: number, channel: reported.speed, unit: rpm}\n",
            "",
            "messages.telemetry: no field feeds reported.speed",
        ),
        ("{hall: 0, back-emf: 1}", "{hall: 0}", "choices: expected hall and back-emf, found hall"),
        (", choices: {hall: 0, back-emf: 1}", "", "choices: needed with the role sensing"),
        (
            "channel: reported.fault",
            "channel: reported.fault\n        states: {0: idle}",
            "states: needed with the channel reported.state, and only there",
        ),
        ("baud: 230400", "baud: fast", "baud: expected a whole number without unit, found 'fast'"),
        ("reply-timeout: 0.5 s", "reply-timeout: 0.5", "reply-timeout: expected a time"),
        ("role: command}]}", "role: command, channel: reported.speed, unit: rpm}]}", "not both"),
    ],
)
def test_refused(edited, old, new, message):
    path = edited(old, new)
    error = refused(path)
    assert message in str(error)
    assert error.file == str(path)
    assert error.line is not None


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        ("key: 0x04", "key: stop", "commands.stop.key: expected a number from 0 to 255"),
        (
            "type: u16, channel: reported.peak",
            "type: number, channel: reported.peak",
            "expected u8",
        ),
        ("size: 16, ", "", "size: a text of a binary protocol needs its size in bytes"),
        (
            "key: 0x04",
            "key: 0x104",
            "commands.stop.key: expected a number from 0 to 255, found 260",
        ),
        ("key: 0x04", "key: [4]", "commands.stop.key: expected a word or a number"),
    ],
)
def test_refused_in_binary_profiles(edited, old, new, message):
    assert message in str(refused(edited(old, new, "dosing-cobs")))


def test_position_of_a_bad_field_is_its_line(edited):
    error = refused(edited("unit: mV", "unit: mA"))
    text = (edited("unit: mV", "unit: mA")).read_text().splitlines()
    assert "reported.voltage" in text[error.line - 1]


# -- what the line carries -----------------------------------------------------------------------


def test_telemetry_beyond_the_baud_rate_is_refused_with_all_figures(edited):
    error = refused(edited("telemetry-rate: 500 Hz", "telemetry-rate: 1000 Hz", "dosing-cobs"))
    assert str(error).split(": ", 1)[1] == (
        "telemetry-rate: 1000 frames/s of 25 bytes are 250000 bit/s with 10 bits a byte, more than "
        "the 230400 of baud; it carries 921.6 frames/s"
    )
    assert error.line == 8
    assert load_profile(edited("telemetry-rate: 500 Hz", "telemetry-rate: 900 Hz", "dosing-cobs"))


def test_on_lines_the_least_that_numbers_take_counts(edited):
    error = refused(edited("baud: 230400", "baud: 38400"))
    assert "200 frames/s of 27 bytes at least are 54000 bit/s with 10 bits a byte" in str(error)
    assert load_profile(edited("baud: 230400", "baud: 57600")).baud == 57600


def test_a_rate_that_nobody_states_is_not_held_against_the_line(edited):
    assert load_profile(edited("baud: 115200", "baud: 300", "examples/modbus"))


def test_no_frame_is_shorter_than_the_least(shipped):
    for path in sorted((shipped / "profiles").rglob("*.profile.yaml")):
        link = load_profile(path)
        if link.framing.kind == "modbus":
            continue
        board = ScriptedBoard(link)
        frames = [board.telemetry(t) for t in (0.0, 0.01, 10.0)]
        assert min(map(len, frames)) >= least_bytes(link), path.name
        assert least_bytes(link) <= usual_bytes(link) <= 2 * max(map(len, frames)), path.name
