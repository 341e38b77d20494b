"""The rig file: what it becomes, and what is refused with which words."""

import re

import pytest

from hil.core.errors import PlanError
from hil.core.trace import Accuracy
from hil.motor.nameplate import TRAPEZOID_PEAK_OVER_RMS
from hil.plan.load import load_rig


def refused(path):
    with pytest.raises(PlanError) as caught:
        load_rig(path)
    return caught.value


def place_of(path, text):
    """Line and column, from 1, at which a text begins in a file."""
    before, found, _after = path.read_text().partition(text)
    assert found
    return before.count("\n") + 1, len(before) - before.rfind("\n")


def test_the_demo_rig(rig):
    motor = rig.motor
    assert (motor.pole_pairs, motor.min_speed, motor.max_speed) == (4, 500.0, 4000.0)
    assert motor.back_emf_constant == pytest.approx(0.040)
    assert (motor.resistance, motor.inductance) == pytest.approx((1.2, 1.4e-3))
    assert motor.inertia == pytest.approx(1.5e-5)
    assert (motor.rated_voltage, motor.rated_current, motor.rated_speed) == (24.0, 3.0, 4000.0)
    assert rig.supply.over_voltage_limit == 46.0
    assert rig.limits.dc_link_voltage == 45.0
    assert rig.limits.wrong_direction == 720.0
    assert rig.regeneration.dc_link_capacitance == pytest.approx(2200e-6)
    assert rig.twin.load.torque == pytest.approx(0.03)
    assert rig.supply.current_accuracy.limits() == Accuracy(0.002, 0.01, 0.001)


def test_nameplate_text_is_kept(rig):
    assert rig.motor.nameplate["back-emf-constant"] == "0.040 V*s/rad"
    assert rig.motor.nameplate["inertia"] == "1.5e-5 kg*m^2"


def test_files_and_profile(rig, shipped):
    assert [path.name for path in rig.files] == ["dosing-pump.yaml", "dosing-lines.profile.yaml"]
    assert rig.profile_path.resolve() == (shipped / "profiles" / "dosing-lines.profile.yaml")


def test_the_binary_rig_differs_only_where_it_says(rig, shipped):
    other = load_rig(shipped / "rigs" / "dosing-pump-cobs.yaml")
    assert other.rig == "dosing-pump-cobs"
    assert other.motor == rig.motor
    assert other.supply == rig.supply
    assert other.board.by_id != rig.board.by_id
    assert other.board.expect_model == rig.board.expect_model
    assert other.twin.firmware.protocol == "cobs"
    assert other.twin.load == rig.twin.load
    assert [path.name for path in other.files] == [
        "dosing-pump-cobs.yaml",
        "dosing-pump.yaml",
        "dosing-cobs.profile.yaml",
    ]


def test_models_are_frozen(rig):
    with pytest.raises(ValueError, match="frozen"):
        rig.motor.pole_pairs = 7


@pytest.mark.parametrize(
    ("constant", "convention", "stored"),
    [
        ("0.040 V*s/rad", "line-to-line-peak", 0.040),
        ("0.020 V*s/rad", "phase-peak", 0.040),
        ("0.030 V*s/rad", "line-to-line-rms", 0.030 * TRAPEZOID_PEAK_OVER_RMS),
        ("240 rpm/V", "line-to-line-peak", 0.0397887),
        ("4.2 mV/rpm", "line-to-line-peak", 0.0401070),
    ],
)
def test_back_emf_is_stored_line_to_line_peak(rig_file, constant, convention, stored):
    path = rig_file(
        "back-emf-constant: 0.040 V*s/rad\n  back-emf-convention: line-to-line-peak",
        f"back-emf-constant: {constant}\n  back-emf-convention: {convention}",
    )
    motor = load_rig(path).motor
    assert motor.back_emf_constant == pytest.approx(stored, rel=1e-5)
    assert motor.back_emf_convention == "line-to-line-peak"
    assert motor.nameplate["back-emf-constant"] == constant
    assert motor.nameplate["back-emf-convention"] == convention


@pytest.mark.parametrize(
    ("convention", "factor"), [("phase-star", 2.0), ("phase-delta", 2 / 3), ("line-to-line", 1.0)]
)
def test_winding_is_stored_line_to_line(rig_file, convention, factor):
    motor = load_rig(
        rig_file("winding-convention: line-to-line", f"winding-convention: {convention}")
    ).motor
    assert motor.resistance == pytest.approx(1.2 * factor)
    assert motor.inductance == pytest.approx(1.4e-3 * factor)
    assert motor.winding_convention == "line-to-line"


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        (
            "pole-pairs: 4",
            "pole-pair: 4",
            "motor: unknown key 'pole-pair'; did you mean 'pole-pairs'?",
        ),
        (
            "pole-pairs: 4",
            "pole-pairs: '4'",
            "motor.pole-pairs: expected a whole number without unit, found '4'",
        ),
        (
            "pole-pairs: 4",
            "pole-pairs: 4.5",
            "motor.pole-pairs: expected a whole number without unit, found the number 4.5",
        ),
        (
            "pole-pairs: 4",
            "pole-pairs: 0",
            "motor.pole-pairs: expected at least 1, found the number 0",
        ),
        (
            "resistance: 1.2 ohm",
            "resistance: 1.2 V",
            "motor.resistance: expected a resistance with its unit, such as '1.2 ohm', found "
            "'1.2 V', which is a voltage",
        ),
        (
            "inductance: 1.4 mH",
            "inductance: 1.4",
            "motor.inductance: expected an inductance with its unit, such as '1.4 mH', found 1.4 "
            "without unit",
        ),
        (
            "inductance: 1.4 mH",
            "inductance: -1.4 mH",
            "motor.inductance: expected more than zero, found -0.0014",
        ),
        (
            "back-emf-convention: line-to-line-peak",
            "back-emf-convention: line-to-line-peek",
            "motor.back-emf-convention: expected 'line-to-line-peak', 'line-to-line-rms' or "
            "'phase-peak', found 'line-to-line-peek'; did you mean 'line-to-line-peak'?",
        ),
        ("format: 1", "format: 2", "format: expected 1, found the number 2"),
        ("rig: dosing-pump", "rig: Dosing Pump", "rig: expected lower-case letters, digits"),
        (
            "calibration-due: 2027-11-30",
            "calibration-due: next year",
            "supply.calibration-due: expected a date such as 2027-03-31, found 'next year'",
        ),
        (
            "senses-direction: true",
            "senses-direction: yes",
            "tachometer.senses-direction: expected true or false, found 'yes'",
        ),
        ("max-torque: 2 N*m", "max-torque: 0 N*m", "brake.max-torque: expected more than zero"),
        (
            "sensing: [hall, back-emf]",
            "sensing: []",
            "board.sensing: expected at least 1 entry, found none",
        ),
        (
            "sensing: [hall, back-emf]",
            "sensing: [hall, encoder]",
            "board.sensing[2]: expected 'hall' or 'back-emf', found 'encoder'",
        ),
        (
            "sensing: [hall, back-emf]",
            "sensing: [hall, hall]",
            "board.sensing: a method is named twice",
        ),
    ],
)
def test_golden_messages(rig_file, old, new, message):
    path = rig_file(old, new)
    error = refused(path)
    line, column = place_of(path, new)
    assert (error.line, str(error).count("\n")) == (line, 0)
    assert column <= error.column <= column + len(new)
    assert str(error).startswith(f"{path}:{line}:{error.column}: {message}")


def test_missing_key_is_told_where_it_should_stand(rig_file):
    path = rig_file("  pole-pairs: 4\n", "")
    error = refused(path)
    assert str(error) == f"{path}:{place_of(path, 'motor:')[0]}:1: motor.pole-pairs is missing"


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        (
            "by-id: /dev/serial/by-id/usb-dosing-drive-bench-1",
            "",
            "board: expected exactly one of by-id, usb, url, found none of them",
        ),
        (
            "expect-model: DOSING-DRIVE",
            "url: loop://",
            "board: expected exactly one of by-id, usb, url, found by-id and url",
        ),
        (
            "by-id: /dev/serial/by-id/usb-dosing-drive-bench-1",
            "usb: {vendor: '0403', product: '6001'}",
            "board.usb: expected a serial number, or a location",
        ),
        (
            "by-id: /dev/serial/by-id/usb-dosing-drive-bench-1",
            "usb: {vendor: 0403, product: '6001', serial: X}",
            "board.usb.vendor: expected a text (put digits in quotes), found the number 403",
        ),
        (
            "by-id: /dev/serial/by-id/usb-dosing-drive-bench-1",
            "usb: {vendor: '43', product: '6001', serial: X}",
            "board.usb.vendor: expected four hexadecimal digits in quotes, found '43'",
        ),
        (
            "over-voltage-limit: 46 V",
            "over-voltage-limit: 29 V",
            "supply.over-voltage-limit: expected more than max-voltage 42 V, found 29 V",
        ),
        (
            "voltage: 24 V\n  current",
            "voltage: 43 V\n  current",
            "supply.voltage: 43 V lies above max-voltage 42 V",
        ),
        (
            "current-limit: 10 A",
            "current-limit: 2 A",
            "supply.current-limit: 2 A lies below the rated current of the motor, 3 A",
        ),
        (
            "min-speed: 500 rpm",
            "min-speed: 5000 rpm",
            "motor.min-speed: expected more than zero and less than max-speed 4000 rpm, found 5000",
        ),
        (
            "rated-speed: 4000 rpm",
            "rated-speed: 400 rpm",
            "motor.rated-speed: 400 rpm lies below min-speed 500 rpm",
        ),
        (
            "speed: 6500 rpm",
            "speed: 3500 rpm",
            "limits.speed: expected more than motor.max-speed 4000 rpm, found 3500 rpm",
        ),
        (
            "current: 15 A",
            "current: 2 A",
            "limits.current: expected more than motor.rated-current 3 A, found 2 A",
        ),
        (
            "dc-link-voltage: 45 V",
            "dc-link-voltage: 30 V",
            "limits.dc-link-voltage: expected more than supply.max-voltage 42 V, found 30 V",
        ),
        (
            "temperature: 90 degC",
            "temperature: 20 degC",
            "limits.temperature: expected more than the ambient temperature 25 degC, found 20 degC",
        ),
        ("wrong-direction: 2 turn", "wrong-direction: 0 turn", "limits.wrong-direction: expected"),
        ("resistance: 1.2 ohm", "resistance: 0 ohm", "motor.resistance: expected more than zero"),
        ("interval: 1 ms", "interval: 0 ms", "tachometer.interval: expected more than zero"),
        (
            "lines: [hall-a,",
            "lines: [hall-d,",
            "switch.lines: expected hall-a, hall-b, hall-c, phase-a, phase-b, phase-c, "
            "temperature-sensor, found 'hall-d'",
        ),
        ("hall-b, hall-c", "hall-a, hall-c", "switch.lines: a line is named twice"),
        ("[50 degC, 67 degC", "[67 degC, 67 degC", "switch.ladder: a rung is named twice"),
        ("open, short]", "open, torn]", "open and short stand for a broken sensor"),
        (
            "TCPIP::127.0.0.1::5026::SOCKET",
            "TCPIP::127.0.0.1::5025::SOCKET",
            "tachometer.resource: TCPIP::127.0.0.1::5025::SOCKET is also that of supply",
        ),
        ("dosing-lines.profile", "absent.profile", "board.profile: there is no file"),
    ],
)
def test_contradictions_between_entries(rig_file, old, new, message):
    error = refused(rig_file(old, new))
    assert message in str(error)
    assert error.line is not None
    assert error.column is not None


@pytest.mark.parametrize("below", [20, 25, 90.5])
def test_a_temperature_to_begin_below_that_makes_no_sense(rig_file, below):
    resource = "{resource: 'TCPIP::127.0.0.1::5040::SOCKET', cool-below: %s degC}"
    path = rig_file("limits:", f"thermometer: {resource % below}\nlimits:")
    assert (
        "thermometer.cool-below: expected more than the ambient temperature 25 degC, and "
        f"limits.temperature 90 degC at most, found {below:g} degC"
    ) in str(refused(path))


def without_reported_current(path):
    """Next to this rig file, a profile whose telemetry has no current."""
    profile = path.parent.parent / "profiles" / "dosing-lines.profile.yaml"
    field = "channel: reported.current, unit: mA"
    text = profile.read_text()
    assert field in text
    profile.write_text(text.replace(f", {field}", ""))
    return path


def test_a_current_limit_that_nothing_can_reach_is_refused(rig_file):
    path = without_reported_current(rig_file())
    error = refused(path)
    assert (
        "board.profile: reports no current, so that limits.current 15 A could not act: the supply "
        "never gives that much; expected limits.current of at most supply.current-limit 10 A"
    ) in str(error)
    assert (error.line, error.column) == place_of(path, "../profiles/dosing-lines")


def test_it_is_told_in_the_file_that_names_the_profile_and_not_in_the_one_it_is_based_on(
    rig_file, tmp_path
):
    path = without_reported_current(rig_file())
    own = tmp_path / "own.yaml"
    profile = path.parent.parent / "profiles" / "dosing-lines.profile.yaml"
    own.write_text(f"based-on: {path}\nrig: own\nboard: {{profile: {profile}}}\n")
    assert (refused(own).file, refused(own).line) == (str(own), 3)


def test_a_current_limit_that_the_supply_can_reach_needs_no_word_of_the_board(rig_file):
    path = without_reported_current(rig_file("current: 15 A", "current: 10 A"))
    assert load_rig(path).limits.current == 10.0


def test_every_problem_is_told_and_the_first_one_first(rig_file):
    path = rig_file("pole-pairs: 4", "pole-pairs: four")
    text = path.read_text().replace("inertia: 1.5e-5 kg*m^2", "inertia: 3 kg")
    text = text.replace("max-voltage: 42 V", "max-voltags: 30 V")
    path.write_text(text.replace("  dc-link-capacitance: 2200 uF\n", ""))
    lines = str(refused(path)).splitlines()
    for line, (place, message) in zip(
        lines,
        [
            ("pole-pairs: four", "motor.pole-pairs: expected a whole number"),
            ("inertia: 3 kg", "motor.inertia: expected an inertia"),
            ("max-voltags", "supply: unknown key 'max-voltags'; did you mean 'max-voltage'?"),
            ("regeneration", "regeneration.dc-link-capacitance is missing"),
        ],
        strict=True,
    ):
        assert f"{path}:{place_of(path, place)[0]}:" in line
        assert message in line


def test_a_rig_may_say_in_another_way_than_its_base_where_the_board_is(rig_file, write):
    rig_file()
    at = "based-on: rig.yaml\nrig: other\nboard: {url: /dev/ttyS0}\n"
    board = load_rig(write(at, "rigs/other.yaml")).board
    assert (board.by_id, board.url, board.expect_model) == ("", "/dev/ttyS0", "DOSING-DRIVE")
    both = at.replace("url:", "by-id: /dev/serial/by-id/x, url:")
    assert "found by-id and url" in str(refused(write(both, "rigs/other.yaml")))


def test_a_problem_in_the_base_names_the_base(rig_file, write):
    base = rig_file("pole-pairs: 4", "pole-pairs: four")
    path = write("based-on: rig.yaml\nrig: other\n", "rigs/other.yaml")
    error = refused(path)
    assert error.file == str(base)
    assert error.line == place_of(base, "pole-pairs")[0]


def test_a_sensing_that_the_link_profile_cannot_select_is_refused(rig_file):
    for listed in ("[hall, back-emf]", "[hall]"):
        path = rig_file("sensing: [hall, back-emf]", f"sensing: {listed}")
        profile = path.parents[1] / "profiles" / "dosing-lines.profile.yaml"
        before, _, after = profile.read_text(encoding="utf-8").partition("  select-sensing:\n")
        text = re.sub(r"\A( {4}.*\n)+", "", after)
        profile.write_text(f"{before}{text}\nsensing: hall\n", encoding="utf-8")
        if listed == "[hall]":
            assert load_rig(path).board.sensing == ("hall",)
            continue
        with pytest.raises(PlanError) as caught:
            load_rig(path)
        assert str(caught.value).endswith(
            "board.sensing: back-emf cannot be selected, link profile dosing-lines has no command "
            "select-sensing and says 'sensing: hall'; expected [hall]"
        )


def test_a_list_whose_only_entry_is_wrong_is_not_called_empty_as_well(rig_file):
    error = refused(rig_file("sensing: [hall, back-emf]", "sensing: [hal]"))
    assert str(error).splitlines() == [
        f"{error.file}:{error.line}:{error.column}: board.sensing[1]: expected 'hall' or "
        "'back-emf', found 'hal'; did you mean 'hall'?"
    ]
