"""Whatever the host sends and whenever, the drive keeps its promises and can be stopped."""

from __future__ import annotations

from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from hil.twin.reference import state as fw

SPEEDS = st.sampled_from([500, -500, 900, -1500, 2500, -4000, 4000, 0])
COMMANDS = st.one_of(
    SPEEDS.map(lambda v: f"start,{v}"),
    SPEEDS.map(lambda v: f"speed,{v}"),
    st.sampled_from(["stop", "clear", "sense,0", "sense,1", "start,100", "stream,200", "id"]),
)
STEPS = st.lists(st.tuples(COMMANDS, st.sampled_from([0.01, 0.05, 0.12, 0.26, 0.3, 0.6, 1.2])),
                 min_size=1, max_size=8)  # fmt: skip


@settings(
    deadline=None,
    max_examples=60,
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
)
@given(steps=STEPS, angle=st.floats(0.0, 90.0), load=st.sampled_from([0.0, 0.03, 0.05]))
def test_any_sequence_of_commands(rig, steps, angle, load):
    r = rig("hall", angle=angle, load=load)
    started = False
    for command, wait in steps:
        state = int(r.state["state"])
        target, sensing = float(r.state["target"]), int(r.state["sensing"])
        answer = r.ask(command)
        word = command.split(",")[0]
        assert any(
            line.startswith((f"done,{word}", f"refused,{word}", "id,"))
            for line in answer.splitlines()
        )
        if f"refused,{word}" in answer:
            assert (target, sensing) == (float(r.state["target"]), int(r.state["sensing"]))
        if word == "start" and state == fw.FAULT:
            assert "refused,start,2" in answer
        started |= word == "start" and "done" in answer and not command.endswith(",0")
        r.drive.advance(wait)
        assert r.drive.firmware_fault == ""
        assert int(r.state["faults"]) == 0  # a healthy bench makes no fault, in any order
        assert r.drive.current_peak < 9.0
        assert r.drive.dc_link_voltage < 26.0
        if not started:
            assert r.drive.speed_rpm == 0.0
    r.ask("stop")
    r.drive.advance(1.7)
    assert abs(r.drive.speed_rpm) < 1.0
    assert int(r.state["state"]) == fw.IDLE
    assert list(r.drive.firmware.outputs()["drive"]) == [0, 0, 0]
    r.ask("start,-1000")
    r.drive.advance(1.2)
    assert abs(r.speeds(0.2).mean() + 1000) < 20
