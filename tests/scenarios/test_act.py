"""From a planned item to what is done; what is refused before anything moves."""

from types import SimpleNamespace

import pytest

from hil.core.drive import Direction, Sensing
from hil.core.errors import BenchError
from hil.plan.kinds import KINDS as PARAMETERS
from hil.scenarios.act import act, check_safe, conditions_of
from hil.scenarios.execute import execute
from hil.scenarios.steps import Steps

Kit = SimpleNamespace

REVERSAL = """
  - {id: r, scenario: reversal, entry-speed: 3000 rpm, speed: 1000 rpm, within: 1 s, hold: 0.1 s,
     bands: {success: {exactly: 1}}}
"""


def test_a_reversal_beyond_the_rigs_limit_is_refused_before_anything_moves(
    kit: Kit, planned, changed
) -> None:
    (item,) = planned(REVERSAL)
    weak = changed("limits", dc_link_voltage=30.0)
    done = execute(item, weak, kit.bench)
    assert done.verdict.value == "bench-fault"
    assert done.reason.startswith("bench: reversal from 3000 rpm refused: braking could raise")
    touched = [call for call in kit.journal if call not in ("brake release", "switch restore")]
    assert touched == ["supply off"]  # only making safe
    assert done.traces == []


@pytest.mark.parametrize("absorbed", ["load-resistor", "two-quadrant-supply"])
def test_where_something_absorbs_the_energy_nothing_is_refused(
    planned, changed, absorbed: str
) -> None:
    (item,) = planned(REVERSAL)
    rig = changed("limits", dc_link_voltage=30.0)
    part = rig.regeneration.model_copy(update={"absorbed_by": absorbed})
    check_safe(item, rig.model_copy(update={"regeneration": part}))


def test_a_reversal_among_steps_counts_with_the_highest_speed_and_voltage(planned, changed) -> None:
    def steps(text: str):
        return planned(
            f"  - {{id: s, scenario: steps, steps: [{text}], "
            "bands: {fault-count: {exactly: 0}}}\n"
        )[0]

    limit = changed("limits", dc_link_voltage=40.0)
    check_safe(steps("start: 4000 rpm, stop"), limit)  # no reversal
    check_safe(steps("start: 3000 rpm, reverse"), limit)  # sqrt(24^2 + 673) = 35.3 V
    with pytest.raises(BenchError, match="from 4000 rpm"):
        check_safe(steps("start: 1000 rpm, set-speed: 4000 rpm, reverse"), limit)
    with pytest.raises(BenchError, match=r"from 3000 rpm refused.* 30 V"):
        check_safe(
            steps("supply: 30 V, start: 3000 rpm, reverse"), changed("limits", dc_link_voltage=39.0)
        )  # sqrt(30^2 + 673) = 39.7 V


def test_other_kinds_need_no_bound(planned, changed) -> None:
    (item,) = planned(
        "  - {id: s, scenario: start, speed: 4000 rpm, bands: {success: {exactly: 1}}}\n"
    )
    check_safe(item, changed("limits", dc_link_voltage=25.0))


def test_conditions_carry_the_item_and_the_nameplate(planned, rig) -> None:
    (item,) = planned("""
  - id: r
    scenario: reversal
    entry-speed: 1000 rpm
    speed: 1500 rpm
    tolerance: 3 %
    matrix: {direction: [ccw], sensing: [back-emf], supply: [20 V], load: [0.02 N*m]}
    bands: {success: {exactly: 1}}
""")
    found = conditions_of(item, rig)
    assert (found.direction, found.sensing) == (Direction.COUNTER_CLOCKWISE, Sensing.BACK_EMF)
    assert (found.entry, found.target, found.tolerance) == (1000.0, 1500.0, 3.0)
    assert (found.supply_voltage, found.load) == (20.0, 0.02)
    assert (found.pole_pairs, found.back_emf_constant, found.resistance) == (4, 0.04, 1.2)
    assert not found.trip_expected
    assert not found.saturated


@pytest.mark.parametrize(("expect", "trips"), [("trip", True), ("no-trip", False)])
def test_only_a_stall_expects_to_trip(planned, rig, expect: str, trips: bool) -> None:
    (item,) = planned(
        f"  - {{id: s, scenario: stall, speed: 2000 rpm, brake-torque: 0.1 N*m, "
        f"expect: {expect}, bands: {{tripped: {{max: 1}}}}}}\n"
    )
    assert conditions_of(item, rig).trip_expected is trips


KINDS = {
    "start": ("speed: 2000 rpm, hold: 0.1 s", ["board start -2000"]),
    "reversal": (
        "entry-speed: 1000 rpm, speed: 900 rpm, hold: 0.1 s",
        ["board start -1000", "board set-speed 900"],
    ),
    "stall": (
        "speed: 2000 rpm, brake-torque: 0.1 N*m, expect: no-trip, hold: 0.1 s, watch: 0.1 s",
        ["board start -2000", "brake apply 0.1", "brake release"],
    ),
    "speed-step": (
        "from: 1000 rpm, to: 1500 rpm, hold: 0.1 s, "
        "saturate: {brake-torque: 0.05 N*m, hold: 0.1 s}",
        ["board start -1000", "brake apply 0.05", "board set-speed -1500", "brake release"],
    ),
    "protection": (
        "speed: 1000 rpm, cause: {brake: 0.1 N*m}, fault: [over-current], expect: no-trip, "
        "hold: 0.1 s, hold-off: 0.05 s",
        ["board start -1000", "brake apply 0.1", "brake release"],
    ),
    "derating": (
        "speed: 1000 rpm, brake-torque: 0.4 N*m, temperatures: [50 degC, 70 degC]",
        [
            "board start -1000",
            *(
                call
                for rung in ("temperature-50", "temperature-70")
                for call in (
                    f"switch set {rung} False",
                    "brake apply 0.4",
                    "brake release",
                    f"switch set {rung} True",
                )
            ),
        ],
    ),
    "steps": ("steps: [start: 700 rpm, wait: 0.1 s, stop]", ["board start -700", "board stop"]),
}
BANDS = {
    "stall": "tripped",
    "steps": "fault-count",
    "speed-step": "overshoot",
    "derating": "fault-count",
    "protection": "tripped",
}


def test_no_kind_is_left_out_here() -> None:
    missing = set(PARAMETERS) - set(KINDS)
    assert not missing, f"write into KINDS, above, what {', '.join(missing)} takes and does"


@pytest.mark.parametrize("kind", KINDS)
def test_each_kind_is_carried_out_after_supply_and_sensing(kit: Kit, planned, kind: str) -> None:
    parameters, calls = KINDS[kind]
    (item,) = planned(
        f"  - {{id: x, scenario: {kind}, {parameters}, matrix: {{direction: [ccw], "
        f"sensing: [back-emf], supply: [20 V]}}, "
        f"bands: {{{BANDS.get(kind, 'success')}: {{max: 100}}}}}}\n".replace(
            "overshoot: {max: 100}", "overshoot: {max: 100 %}"
        )
    )
    kit.board.feed_voltage = 20.0
    steps = Steps(kit.bench)
    steps.begin_trace()
    kit.journal.clear()
    act(item, steps)
    assert kit.journal == [
        "supply prepare 20 V 10 A 46 V",
        "supply on",
        "board stream True",
        "board select-sensing back-emf",
        *calls,
    ]


def test_a_load_is_on_before_the_manoeuvre(kit: Kit, planned) -> None:
    (item,) = planned(
        "  - {id: s, scenario: start, speed: 1000 rpm, hold: 0.1 s, matrix: {load: [0.02 N*m]}, "
        "bands: {success: {exactly: 1}}}\n"
    )
    steps = Steps(kit.bench)
    steps.begin_trace()
    act(item, steps)
    trace = kit.bench.trace()
    assert trace.mark("load-on").t < trace.mark("command").t
    assert kit.brake.torque == 0.02
