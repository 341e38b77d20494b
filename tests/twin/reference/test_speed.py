from __future__ import annotations

import pytest

from hil.twin.reference.speed import estimate_speed, forget_progress, sector_passed

PWM = 20_000.0


def turn(s, rpm, seconds, poles=4, step=1):
    """Pass sectors at a constant speed; returns nothing, the time is in `tick`."""
    interval = 10.0 * PWM / (poles * rpm)  # ticks per 60 electrical degrees
    end = s["tick"] + seconds * PWM
    when = float(s["tick"])
    while when + interval < end:
        when += interval
        s["tick"] = int(when) + 1
        sector_passed(s, step, when)
    s["tick"] = int(end)
    estimate_speed(s)


@pytest.mark.parametrize("rpm", [50.0, 500.0, 1500.0, 4000.0])
@pytest.mark.parametrize("poles", [2, 4, 7])
@pytest.mark.parametrize("step", [1, -1])
def test_speed_from_sectors(record, rpm, poles, step):
    # speed = 60 f / pole pairs, six sectors per electrical turn (definition, table M5)
    s = record(pole_pairs=poles)
    turn(s, rpm, 0.5, poles, step)
    assert s["speed"] == pytest.approx(step * rpm, rel=1e-9)


def test_placement_errors_average_out_over_a_turn(record):
    s = record()
    base, when = 12.5, 0.0  # 4000 rpm
    for k in range(60):
        when += base + (2.0, -1.5, 0.5, -2.5, 1.0, 0.5)[k % 6]
        s["tick"] = int(when) + 1
        sector_passed(s, 1, when)
        if k > 6:
            estimate_speed(s)
            assert s["speed"] == pytest.approx(4000.0, rel=1e-9)


def test_one_event_is_no_speed_yet(record):
    s = record()
    s["tick"] = 100
    sector_passed(s, 1, 99.5)
    estimate_speed(s)
    assert s["speed"] == 0.0


def test_missing_events_pull_the_speed_down_and_then_to_zero(record):
    s = record()
    turn(s, 1000.0, 0.1)
    seen = []
    for _ in range(120):
        s["tick"] += 20
        estimate_speed(s)
        seen.append(float(s["speed"]))
    assert seen == sorted(seen, reverse=True)
    assert seen[20] < 200.0
    assert seen[-1] == 0.0


def test_turning_back_forgets_the_times(record):
    s = record()
    turn(s, 1000.0, 0.1)
    sector_passed(s, -1, float(s["tick"]))
    assert (s["count"], s["speed"]) == (1, 0.0)


def test_dithering_over_a_border_is_no_progress(record):
    s = record()
    s["tick"] = 1000
    forget_progress(s)
    for k in range(40):
        s["tick"] += 100
        sector_passed(s, 1 if k % 2 == 0 else -1, float(s["tick"]))
    assert s["progress_at"] == 1100
    assert s["furthest"] == 1


def test_turning_the_wrong_way_is_no_progress(record):
    s = record()
    forget_progress(s)
    s["tick"] = 5000
    turn(s, 1000.0, 0.1, step=-1)
    assert s["progress_at"] == 0


def test_control_scale_is_a_seam_that_telemetry_follows(record):
    s = record(defects={"speed_scale": 1.1})
    turn(s, 1000.0, 0.5)
    assert s["speed"] == pytest.approx(1100.0)


@pytest.mark.parametrize(("ticks", "believed"), [(8.0, False), (9.0, True)])  # 6250 and 5556 rpm
def test_two_sectors_faster_than_any_rotor_are_a_glitch(record, ticks, believed):
    s = record()
    turn(s, 1000.0, 0.2)
    before = float(s["speed"])
    # turned back and forth again by a glitch on a wire: only two times are known
    when = float(s["tick"])
    sector_passed(s, -1, when)
    sector_passed(s, 1, when + 1.0)
    s["speed"] = before
    sector_passed(s, 1, when + 1.0 + ticks)
    s["tick"] = int(when + ticks) + 2
    estimate_speed(s)
    assert s["speed"] == pytest.approx(50_000.0 / ticks if believed else before)
