"""Items: ids, conditions, bands, and what a rig or the measures rule out."""

import re

import pytest

from hil.core.band import Rule
from hil.core.drive import Direction, Sensing
from hil.core.errors import PlanError
from hil.plan.expand import expand
from hil.plan.load import load_plan

HEAD = "format: 1\nplan: demo\nscenarios:\n"
ONE = "  - id: one\n    scenario: start\n    speed: 2000 rpm\n"
STALL = "    scenario: stall\n    speed: 2000 rpm\n    brake-torque: 0.5 N*m\n"


@pytest.fixture
def items(write, rig, measures):
    """Items of a plan text on the demo rig."""
    return lambda text, on=rig: expand(load_plan(write(text, "demo.plan.yaml")), on, measures)


@pytest.fixture
def refused(items):
    """Error of a plan text on the demo rig."""

    def make(text, **on):
        with pytest.raises(PlanError) as caught:
            items(text, **on)
        return caught.value

    return make


def with_bands(bands):
    return HEAD + ONE + f"    bands: {bands}\n"


def bands_of(item):
    return {band.measure: (band.low, band.high, band.unit) for band in item.bands}


def test_an_item(items, rig):
    text = (
        HEAD + "  - id: start\n    scenario: start\n    title: Off we go\n"
        "    requirements: [R-1]\n    matrix:\n      direction: ccw\n      speed: 2000 rpm\n"
        "    bands: {overshoot: {max: 20 %, rule: guarded, requirement: R-2}}\n"
    )
    (item,) = items(text)
    assert item.id == "start.ccw.2000rpm"
    assert (item.kind, item.title, item.plan) == ("start", "Off we go", "demo")
    assert item.direction is Direction.COUNTER_CLOCKWISE
    assert item.sensing is Sensing.HALL
    assert (item.supply_voltage, item.load, item.repeats) == (rig.supply.voltage, 0.0, 1)
    assert item.requirements == ("R-1",)
    assert item.line == 4
    (band,) = item.bands
    assert (band.rule, band.requirement) == (Rule.GUARDED, "R-2")
    assert item.describe() == {
        "direction": "ccw",
        "sensing": "hall",
        "supply": "24 V",
        "speed": "2000 rpm",
    }


def test_describe_names_loads_and_repeats(items):
    text = (
        HEAD + "  - id: stall\n" + STALL + "    expect: trip\n    load: 20 mN*m\n"
        "    matrix: {repeats: 3}\n    bands: {tripped: {exactly: 1}}\n"
    )
    words = items(text)[0].describe()
    assert (words["load"], words["brake-torque"], words["repeats"]) == ("0.02 N*m", "0.5 N*m", "3")


@pytest.mark.parametrize(
    ("text", "limits"),
    [
        ("{overshoot: {max: 20 %}}", {"overshoot": (None, 20.0, "%")}),
        ("{overshoot: {max: 20 percent, min: 0 %}}", {"overshoot": (0.0, 20.0, "%")}),
        ("{time-to-speed: {max: 1500 ms}}", {"time-to-speed": (None, 1.5, "s")}),
        ("{backward-kick: {max: 1 turn}}", {"backward-kick": (None, 360.0, "deg")}),
        ("{success: {exactly: 1}}", {"success": (1.0, 1.0, "1")}),
        ("{success: {min: 0.5}}", {"success": (0.5, None, "1")}),
        ("{success: {min: '1'}}", {"success": (1.0, None, "1")}),
    ],
)
def test_limits_are_converted_to_the_unit_of_the_measure(items, text, limits):
    assert bands_of(items(with_bands(text))[0]) == limits


def test_bands_for_parts_of_the_matrix(items):
    text = (
        HEAD + ONE + "    matrix: {sensing: [hall, back-emf], supply: [20 V, 24 V]}\n"
        "    bands:\n"
        "      time-to-speed:\n"
        "        - {max: 2 s, when: {sensing: hall}}\n"
        "        - {max: 3 s, when: {sensing: back-emf, supply: [24000 mV, 20 V]}}\n"
        "      overshoot: {max: 20 %, when: {supply: 20 V}}\n"
    )
    found = {item.id: bands_of(item) for item in items(text)}
    assert found["one.hall.20v"] == {
        "time-to-speed": (None, 2.0, "s"),
        "overshoot": (None, 20.0, "%"),
    }
    assert found["one.back-emf.24v"] == {
        "time-to-speed": (None, 3.0, "s"),
        "backward-kick": (None, 90.0, "deg"),  # of which the plan says nothing, see test_kick
    }


def test_when_sees_conditions_that_the_rig_decides(items):
    text = with_bands("{overshoot: {max: 20 %, when: {sensing: hall, supply: 24 V}}}")
    assert len(items(text)[0].bands) == 1


def test_defaults_apply_where_a_kind_has_the_measure(items):
    text = (
        "format: 1\nplan: demo\ndefaults:\n  rule: guarded\n  bands:\n"
        "    telemetry-loss: {max: 1 %}\n"
        "    peak-current: {max: 9 A}\n"
        "    overshoot: {max: 10 %, when: {speed: 2000 rpm}}\n"
        "scenarios:\n" + ONE + "    bands: {peak-current: {max: 5 A}}\n"
        "  - {id: two, scenario: speed-step, from: 1000 rpm, to: 2000 rpm}\n"
        "  - {id: three, scenario: start, speed: 1000 rpm, bands: {telemetry-loss: none}}\n"
    )
    one, two, three = items(text)
    assert bands_of(one) == {
        "peak-current": (None, 5.0, "A"),
        "telemetry-loss": (None, 1.0, "%"),
        "overshoot": (None, 10.0, "%"),
    }
    assert bands_of(two) == {"telemetry-loss": (None, 1.0, "%")}
    assert bands_of(three) == {"peak-current": (None, 9.0, "A")}
    assert all(band.rule is Rule.GUARDED for band in one.bands)


def test_success_of_a_series(items):
    text = (
        HEAD + ONE + "    matrix: {repeats: 20}\n    success: {at-least: 85 %, confidence: 95 %}\n"
    )
    (item,) = items(text)
    assert (item.repeats, item.success.at_least, item.success.confidence) == (20, 85.0, 95.0)
    assert item.bands == ()


@pytest.mark.parametrize(
    ("bands", "message"),
    [
        ("{overshot: {max: 20 %}}", "start has no measure 'overshot'; did you mean 'overshoot'?"),
        ("{let-through: {max: 1 A^2*s}}", "start has no measure 'let-through'"),
        (
            "{overshoot: {max: 20 rpm}}",
            "bands.overshoot.max: expected a ratio with its unit, such as '5 %', found '20 rpm'",
        ),
        ("{overshoot: {max: [20 %]}}", "overshoot.max: expected a ratio with its unit"),
        ("{overshoot: {max: true}}", "overshoot.max: expected a ratio with its unit"),
        ("{success: {min: true}}", "success.min: expected a plain number, found true"),
        ("{overshoot: {max: }}", "bands.overshoot: a band needs at least one finite limit"),
        ("{overshoot: off}", "bands.overshoot: expected limits such as {max: ...}, found 'off'"),
        ("{overshoot: 10 %}", "bands.overshoot: expected limits such as {max: 10 %}, found '10 %'"),
        ("{overshoot: 10}", "bands.overshoot: expected limits such as {max: 10}, found the number"),
        ("{overshoot: [10 %]}", "bands.overshoot[1]: expected limits such as {max: 10 %}, found"),
        ("{overshoot: [[1 %]]}", "bands.overshoot[1]: expected limits such as {max: ...}, found a"),
        ("{overshoot: }", "bands.overshoot: expected limits such as {max: 10 %}, or the word none"),
        ("{overshoot: {max: 20}}", "bands.overshoot.max: expected a ratio with its unit"),
        ("{time-to-speed: {max: 2 V}}", "expected a time with its unit, such as '0.5 s', found"),
        ("{success: {exactly: 1 s}}", "success.exactly: expected a plain number, found '1 s'"),
        ("{overshoot: {min: 20 %, max: 10 %}}", "bands.overshoot: min 20 % lies above max 10 %"),
        ("{overshoot: {}}", "bands.overshoot: a band needs at least one finite limit"),
        ("{overshoot: {exactly: 1 %, max: 2 %}}", "'exactly' stands for both limits"),
        (
            "{overshoot: [{max: 20 %}, {max: 30 %}]}",
            "bands.overshoot[2]: two bands apply at once, the other at line 7",
        ),
        (
            "{overshoot: {max: 20 %, when: {sensing: back-emf}}}",
            "bands.overshoot.when: fits no part of the matrix",
        ),
        (
            "{overshoot: {max: 20 %, when: {sensin: hall}}}",
            "unknown key 'sensin'; did you mean 'sensing'?",
        ),
        (
            "{overshoot: {max: 20 %, when: {supply: 24 A}}}",
            "bands.overshoot.when.supply: expected a voltage with its unit",
        ),
        (
            "{overshoot: {max: 20 %, when: {sensing: encoder}}}",
            "when.sensing: expected 'hall' or 'back-emf', found 'encoder'",
        ),
        ("{}", "no pass band applies to one"),
        ("{overshoot: none}", "no pass band applies to one"),
    ],
)
def test_refused_bands(refused, bands, message):
    error = refused(with_bands(bands))
    assert message in str(error)
    assert error.line == (4 if message.startswith("no pass band") else 7)
    assert re.match(r".+:\d+:\d+: ", str(error))


@pytest.mark.parametrize(
    ("defaults", "message"),
    [
        ("{bands: {overshot: {max: 1 %}}}", "no scenario of this plan has a measure 'overshot'"),
        ("{bands: {overshoot: {max: 1 A}}}", "expected a ratio with its unit"),
        ("{bands: {overshoot: {max: 1 %, when: {sped: 1 rpm}}}}", "unknown key 'sped'"),
    ],
)
def test_refused_defaults(refused, defaults, message):
    error = refused(f"format: 1\nplan: demo\ndefaults: {defaults}\nscenarios:\n{ONE}")
    assert message in str(error)
    assert error.line == 3


@pytest.mark.parametrize(
    ("scenario", "message"),
    [
        (
            "scenario: start, speed: 4500 rpm",
            "scenarios[one].speed: 4500 rpm lies outside min-speed 500 rpm to max-speed 4000 rpm "
            "of the motor of rig dosing-pump",
        ),
        ("scenario: start, speed: 100 rpm", "100 rpm lies outside min-speed 500 rpm"),
        (
            "scenario: start, matrix: {speed: [1000 rpm, 9000 rpm]}",
            "scenarios[one].matrix.speed[2]: 9000 rpm lies outside",
        ),
        (
            "scenario: start, speed: 1000 rpm, supply: 43 V",
            "scenarios[one].supply: 43 V lies above max-voltage 42 V of the supply of rig dosing",
        ),
        (
            "scenario: start, speed: 1000 rpm, load: 3 N*m",
            "scenarios[one].load: 3 N*m lies above max-torque 2 N*m of the brake of rig dosing",
        ),
        (
            "scenario: stall, speed: 1000 rpm, brake-torque: 3 N*m, expect: trip",
            "scenarios[one].brake-torque: 3 N*m lies above max-torque 2 N*m",
        ),
        ("scenario: reversal, speed: 1000 rpm, entry-speed: 5000 rpm", "entry-speed: 5000 rpm"),
        ("scenario: speed-step, from: 1000 rpm, to: 5000 rpm", "scenarios[one].to: 5000 rpm"),
        ("scenario: steps, steps: [{start: 9000 rpm}]", "scenarios[one].steps[1]: 9000 rpm"),
        ("scenario: steps, steps: [{brake: 3 N*m}]", "scenarios[one].steps[1]: 3 N*m lies above"),
        (
            "scenario: steps, steps: [{supply: 50 V}]",
            "scenarios[one].steps[1]: 50 V lies above max-voltage 42 V of the supply of rig dosing",
        ),
        (
            "scenario: steps, steps: [{dip: 50 V, for: 1 s}]",
            "steps[1]: 50 V lies above max-voltage",
        ),
        (
            "scenario: steps, steps: [{open: hall-d}]",
            "scenarios[one].steps[1]: rig dosing-pump cannot open or close line 'hall-d', there",
        ),
    ],
)
def test_beyond_the_rig(refused, scenario, message):
    error = refused(
        HEAD + f"  - {{id: one, {scenario}, bands: {{telemetry-loss: {{max: 1 %}}}}}}\n"
    )
    assert message in str(error)
    assert error.line == 4


def test_a_speed_that_is_to_be_refused_may_lie_beyond_the_rig(items):
    text = "  - {id: s, scenario: steps, steps: [{expect-refusal: {start: 9000 rpm}}], "
    (item,) = items(HEAD + text + "bands: {fault-count: {exactly: 0}}}\n")
    assert item.parameters.target == 0.0


def test_sensing_that_the_rig_does_not_offer(refused, rig):
    board = rig.board.model_copy(update={"sensing": ("back-emf",)})
    poor = rig.model_copy(update={"board": board})
    text = HEAD + ONE + "    matrix: {sensing: [hall]}\n    bands: {overshoot: {max: 20 %}}\n"
    error = refused(text, on=poor)
    assert "rig dosing-pump has no sensing hall (board.sensing: back-emf)" in str(error)


def test_sensing_defaults_to_what_the_rig_offers(items, rig):
    board = rig.board.model_copy(update={"sensing": ("back-emf",)})
    (item,) = items(with_bands("{overshoot: {max: 20 %}}"), rig.model_copy(update={"board": board}))
    assert item.sensing is Sensing.BACK_EMF


@pytest.mark.parametrize(
    ("success", "message"),
    [
        ("{at-least: 100 %}", "at-least: expected above 0 % and below 100 %, found 100 %"),
        ("{at-least: 95 %}", "20 repeats cannot show 95 % with 95 % confidence, not even without"),
        ("{at-least: 0.95}", "success.at-least: expected a ratio with its unit"),
        ("{}", "expected one of at-least, sequential"),
    ],
)
def test_refused_success(refused, success, message):
    text = HEAD + ONE + f"    matrix: {{repeats: 20}}\n    success: {success}\n"
    error = refused(text)
    assert message in str(error)
    assert error.line == 8


def test_success_needs_its_measure(refused):
    text = (
        HEAD + "  - {id: one, scenario: speed-step, from: 1000 rpm, to: 2000 rpm, "
        "matrix: {repeats: 60}, success: {at-least: 90 %}}\n"
    )
    assert "speed-step has no measure 'success'" in str(refused(text))


def test_ids_that_collide(refused):
    text = (
        HEAD + "  - {id: a, scenario: start, speed: 1000 rpm, matrix: {sensing: hall}, "
        "bands: {overshoot: {max: 1 %}}}\n"
        "  - {id: a.hall, scenario: start, speed: 1000 rpm, bands: {overshoot: {max: 1 %}}}\n"
    )
    error = refused(text)
    assert error.line == 5
    assert "item a.hall exists already, from line 4" in str(error)


class TestPairs:
    TRIP = "  - id: trip\n" + STALL + "    expect: trip\n    bands: {tripped: {exactly: 1}}\n"
    HELD = (
        "  - {id: held, scenario: stall, speed: 2000 rpm, brake-torque: 50 mN*m, expect: no-trip, "
        "bands: {tripped: {exactly: 0}}}\n"
    )

    def test_not_asked_for(self, items):
        assert len(items(HEAD + self.TRIP)) == 1

    def test_there(self, items):
        assert len(items("pairs: required\n" + HEAD + self.TRIP + self.HELD)) == 2

    def test_missing(self, refused):
        error = refused("pairs: required\n" + HEAD + self.TRIP)
        assert "trip must trip, but no stall with 'expect: no-trip'" in str(error)
        assert error.line == 5

    def test_of_another_speed_is_none(self, refused):
        held = self.HELD.replace("2000 rpm", "1000 rpm")
        assert "must trip" in str(refused("pairs: required\n" + HEAD + self.TRIP + held))

    PROTECTED = (
        "  - {id: hot, scenario: protection, speed: 1000 rpm, cause: {temperature: 82 degC}, "
        "fault: [over-temperature], expect: trip, bands: {tripped: {exactly: 1}}}\n"
    )
    ENDURED = PROTECTED.replace("id: hot", "id: warm").replace("trip, bands", "no-trip, bands")

    def test_a_protection_needs_a_partner_for_its_fault(self, items, refused):
        head = "pairs: required\n" + HEAD
        assert len(items(head + self.PROTECTED + self.ENDURED)) == 2
        said = str(refused(head + self.PROTECTED))
        assert "hot must trip, but no protection with 'expect: no-trip'" in said
        assert "direction, sensing and fault (over-temperature)" in said
        other = self.ENDURED.replace("[over-temperature]", "[over-voltage]")
        assert "must trip" in str(refused(head + self.PROTECTED + other))

    def test_a_stall_is_no_partner_of_a_protection(self, refused):
        said = str(refused("pairs: required\n" + HEAD + self.PROTECTED + self.HELD))
        assert "no protection with" in said


def test_all_problems_at_once(refused):
    text = (
        HEAD + ONE.replace("2000", "9000") + "    bands:\n      overshot: {max: 20 %}\n"
        "      peak-current: {max: 5 V}\n"
    )
    lines = str(refused(text)).splitlines()
    assert len(lines) == 3
    assert "9000 rpm" in lines[0]
    assert "overshot" in lines[1]
    assert "peak-current" in lines[2]


def test_how_far_a_guarded_band_keeps_from_its_limits(items):
    """Guard as a share of U, or a risk (JCGM 106:2012, 8.3); both are U by default."""
    text = (
        "format: 1\nplan: demo\ndefaults: {rule: guarded, risk: 5 %}\nscenarios:\n"
        + ONE
        + "    bands:\n"
        "      overshoot: {max: 20 %}\n"
        "      time-to-speed: {max: 1 s, guard: 0.5}\n"
        "      speed-disagreement: {max: 9 %, risk: 0.1 %}\n"
        "      telemetry-loss: {max: 2 %, rule: simple}\n"
    )
    (item,) = items(text)
    found = {b.measure: (b.rule, b.guard, b.risk) for b in item.bands}
    assert found == {
        "overshoot": (Rule.GUARDED, 1.0, 0.05),
        "time-to-speed": (Rule.GUARDED, 0.5, None),
        "speed-disagreement": (Rule.GUARDED, 1.0, pytest.approx(0.001)),
        "telemetry-loss": (Rule.SIMPLE, 1.0, None),
    }
    (plain,) = items(with_bands("{overshoot: {max: 20 %, rule: guarded}}"))
    assert (plain.bands[0].guard, plain.bands[0].risk) == (1.0, None)


@pytest.mark.parametrize(
    ("band", "said"),
    [
        ("{max: 20 %, guard: 0.5}", "rule: guarded"),
        ("{max: 20 %, rule: simple, risk: 5 %}", "rule: guarded"),
        ("{max: 20 %, rule: guarded, guard: 1, risk: 5 %}", "one of them must go"),
        ("{max: 20 %, rule: guarded, guard: -1}", "guard"),
        ("{max: 20 %, rule: guarded, guard: 1 %}", "guard"),
        ("{max: 20 %, rule: guarded, risk: 50 %}", "risk"),
        ("{max: 20 %, rule: guarded, risk: 0 %}", "risk"),
        ("{max: 20 %, rule: guarded, risk: 5}", "risk"),
    ],
)
def test_guards_that_make_no_sense(refused, band, said):
    error = refused(with_bands(f"{{overshoot: {band}}}"))
    assert said in str(error)
    assert error.line == 7


def test_the_defaults_too_have_one_guard(refused):
    text = "format: 1\nplan: demo\ndefaults: {guard: 1, risk: 5 %}\nscenarios:\n" + ONE
    assert "one of them must go" in str(refused(text + "    bands: {overshoot: {max: 20 %}}\n"))
