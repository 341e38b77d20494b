"""Encoder and thermometer on a bench: recorded, and held against the limits."""

from types import SimpleNamespace

import numpy as np
import pytest

from hil.bench.bench import closing
from hil.bench.limits import LimitExceeded, Limits, Watch
from hil.bench.open import open_bench
from hil.bench.simulate import world_for
from hil.core.record import Identity
from hil.plan.load import load_rig
from hil.ports.instruments import Reading, ShaftReadings
from hil.twin.adversary import Adversary
from hil.twin.trouble import Trouble

Kit = SimpleNamespace
TCP = "TCPIP::127.0.0.1::%d::SOCKET"


class Probe:
    """Stands for both; counts how often it is asked."""

    def __init__(self, kit: Kit, value: float, role: str) -> None:
        self.clock, self.value, self.role = kit.clock, value, role
        self.asked = 0
        self.closed = False

    def identify(self) -> Identity:
        return Identity(role=self.role, model="FAKE")

    def temperature(self) -> Reading:
        self.asked += 1
        return Reading(self.clock.now(), self.value, 0.001)

    position = temperature

    def close(self) -> None:
        self.closed = True


@pytest.fixture
def probes(kit: Kit):
    thermometer, encoder = Probe(kit, 40.0, "thermometer"), Probe(kit, 90.0, "encoder")
    kit.parts.thermometer, kit.parts.encoder = thermometer, encoder
    kit.bench = kit.make(thermometer_poll=0.5, encoder_poll=0.1)
    kit.bench.begin_trace()
    kit.bench.board.stream(True)
    return thermometer, encoder


def test_both_are_recorded_at_their_own_pace(kit: Kit, probes) -> None:
    thermometer, encoder = probes
    kit.bench.wait(2.0)
    assert thermometer.asked == pytest.approx(5, abs=1)
    assert encoder.asked == pytest.approx(21, abs=2)
    trace = kit.bench.trace()
    assert trace.channels["witness.temperature"].unit == "degC"
    assert set(trace.channels["witness.temperature"].y) == {40.0}
    assert trace.channels["encoder.position"].unit == "deg"
    assert trace.channels["encoder.position"].time_uncertainty == pytest.approx(0.001 / 3**0.5)
    kit.bench.begin_trace()
    assert "encoder.position" not in kit.bench.trace().channels


def test_a_hot_power_stage_ends_the_wait_whatever_the_board_says(kit: Kit, probes) -> None:
    thermometer, _ = probes
    kit.clock.at(1.0, lambda: setattr(thermometer, "value", 95.0))
    with pytest.raises(LimitExceeded, match=r"witness\.temperature reached 95 degC"):
        kit.bench.wait(3.0)


def test_both_are_read_while_an_output_settles(kit: Kit, probes) -> None:
    thermometer, encoder = probes
    kit.supply.sag = 3.0
    kit.clock.at(1.6, lambda: setattr(kit.supply, "sag", 0.0))
    kit.bench.energise(24.0)
    assert thermometer.asked == pytest.approx(4, abs=1)
    assert encoder.asked == pytest.approx(15, abs=2)  # due each 0.1 s, looked at each 0.02 s
    assert kit.bench.trace().channels["encoder.position"].y.size == encoder.asked


def test_a_power_stage_that_gets_hot_while_an_output_settles_is_seen(kit: Kit, probes) -> None:
    thermometer, _ = probes
    kit.supply.sag = 3.0
    kit.clock.at(0.7, lambda: setattr(thermometer, "value", 95.0))
    before = kit.clock.now()
    with pytest.raises(LimitExceeded, match=r"witness\.temperature reached 95 degC"):
        kit.bench.energise(24.0)
    assert kit.clock.now() - before == pytest.approx(1.0, abs=0.05)


@pytest.mark.usefixtures("probes")
def test_without_a_tachometer_the_encoder_tells_the_angle(kit: Kit) -> None:
    kit.bench = kit.make(tachometer=None)
    kit.bench.wait(0.1)
    assert kit.bench.latest.position == 90.0


def test_they_are_named_and_released(kit: Kit, probes) -> None:
    assert [who.role for who in kit.bench.identities()][-2:] == ["encoder", "thermometer"]
    kit.bench.close()
    assert all(probe.closed for probe in probes)


# -- a counter that knows no angle --------------------------------------------------------


def turning(speed: float) -> ShaftReadings:
    return ShaftReadings(np.array([1.0]), np.array([np.nan]), np.array([speed]))


def test_motion_that_nobody_commanded_is_seen_by_its_speed() -> None:
    watch = Watch(Limits(speed=6000.0, current=15.0, dc_link_voltage=45.0, temperature=90.0))
    watch.expect(0)
    watch.check_shaft(turning(5.0))
    with pytest.raises(LimitExceeded, match="turned at 500 rpm although no motion"):
        watch.check_shaft(turning(-500.0))
    watch.expect(1)
    watch.check_shaft(turning(500.0))
    with pytest.raises(LimitExceeded, match=r"witness\.speed"):
        watch.check_shaft(turning(7000.0))


# -- on the simulated bench ---------------------------------------------------------------


@pytest.mark.parametrize(
    "commands", ["", 'commands: {position: {query: "COUN?"}}', "senses-direction: false"]
)
def test_a_whole_bench_with_a_counter_an_encoder_and_a_thermometer(
    rig, tmp_path, commands: str
) -> None:
    file = tmp_path / "rig.yaml"
    file.write_text(
        f"based-on: {rig.files[0]}\nrig: probes\n"
        f"tachometer: {{driver: counter, expect: SIM-COUNTER, interval: 20 ms, {commands}}}\n"
        f"encoder: {{resource: '{TCP % 5030}', interval: 20 ms}}\n"
        f"thermometer: {{resource: '{TCP % 5031}', temperature-accuracy: {{absolute: 1 K}}}}\n",
        encoding="utf-8",
    )
    with closing(open_bench(load_rig(file), True, {}, seed="1")) as bench:
        bench.begin_trace()
        bench.energise(24.0)
        bench.board.stream(True)
        bench.wait(0.3)
        bench.board.select_sensing("hall")
        bench.watch.expect(-1)
        bench.board.start(-1000.0)
        bench.wait(1.5)
        trace = bench.trace()
        assert bench.come_to_rest()
    speed = trace.channels["witness.speed"].y[-10:]
    expected = 1000.0 if "senses" in commands else -1000.0
    assert np.nanmean(speed) == pytest.approx(expected, rel=0.05)
    angle = trace.channels["encoder.position"]
    assert angle.y[-1] < angle.y[0] - 1000.0
    rate = np.polyfit(angle.t[-15:], angle.y[-15:], 1)[0] / 6.0
    assert rate == pytest.approx(-1000.0, rel=0.05)
    assert ("witness.position" in trace.channels) is ("COUN" in commands)
    warm = trace.channels["witness.temperature"]
    assert 20.0 < warm.y[-1] < 60.0
    assert warm.accuracy.absolute == 1.0


@pytest.mark.parametrize("role", ["encoder", "thermometer"])
def test_they_can_be_made_to_misbehave(rig, tmp_path, role: str) -> None:
    file = tmp_path / "rig.yaml"
    file.write_text(
        f"based-on: {rig.files[0]}\nrig: probes\n{role}: {{resource: '{TCP % 5030}'}}\n",
        encoding="utf-8",
    )
    world = world_for(load_rig(file), 1)
    instrument = world.instruments[TCP % 5030]
    Adversary(world, [Trouble(f"{role}-silent", 0.5, 0.5)]).install()
    silent = []
    for _ in range(4):
        world.advance(0.35)
        silent.append(instrument.silent)
    assert silent == [False, True, False, False]
    world.close()
