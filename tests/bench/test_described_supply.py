"""A supply with own commands on a bench: the guard's means, and what is told of what it lacks."""

from dataclasses import replace

import hil.bench.open
from hil.bench.bench import closing
from hil.bench.findings import Grade
from hil.bench.lease import take
from hil.bench.open import Guarding, guarded, open_bench
from hil.bench.prove import prove, set_limits
from hil.ports.supply_commands import SCPI_1999, Channel

BARE = replace(SCPI_1999, protection="", protection_query="", tripped="", clear="")


def test_the_guard_switches_off_in_the_words_of_the_supply(rig, monkeypatch) -> None:
    started = []

    class Kept:
        def await_armed(self) -> None:
            pass

    def start(settings):
        started.append(settings)
        return Kept()

    monkeypatch.setattr(hil.bench.open.Guard, "start", start)
    own = rig.as_simulated()
    own._commands["supply"] = replace(
        SCPI_1999, output_off="STATE 0", output_query="STATE?", channel=Channel(number=2)
    )

    class Parts:
        class supply:  # noqa: N801
            @staticmethod
            def identify():
                return hil.bench.open.Identity(role="supply", maker="M", model="N")

    guarded(own, Parts, {}, Guarding())
    guarded(rig, Parts, {}, Guarding())
    own = own.model_copy(
        update={
            "brake": own.brake.model_copy(
                update={"driver": "current", "resource": own.supply.resource.lower()}
            )
        }
    )
    own._commands["brake"] = replace(SCPI_1999, channel=Channel(number=3))
    guarded(own, Parts, {}, Guarding())
    guarded(own, Parts, {"brake": "TCPIP::127.0.0.1::9::SOCKET"}, Guarding())
    # a brake that is an output of the same supply lets go as well, after the supply is off
    assert started[2].off == ("INST:NSEL 2;:STATE 0", "INST:NSEL 3;:OUTP OFF")
    assert started[3].off == ("INST:NSEL 2;:STATE 0",)
    assert (started[0].off, started[0].state) == (
        ("INST:NSEL 2;:STATE 0",),
        "INST:NSEL 2;:STATE?",
    )
    assert (started[1].off, started[1].state) == (("OUTP OFF",), "OUTP?")


def test_a_supply_without_protection_is_warned_of_and_never_passes_as_proven(rig) -> None:
    with closing(open_bench(rig, True, {}, seed="1")) as bench:
        bench.supply._commands = BARE
        grade, text = set_limits(bench, rig)
        assert grade is Grade.WARNING
        assert "no over-voltage protection" in text
        assert "read back" not in text
        found = {finding.what: finding for finding in prove(bench, rig)}
    assert found["supply limits"].grade is Grade.WARNING
    assert found["protection"].grade is Grade.WARNING
    assert "cannot be tried" in found["protection"].detail
    assert "no over-voltage protection" in found["protection"].detail
    assert found["stop path"].grade is Grade.OK


def test_a_rig_with_own_commands_runs_on_the_simulated_bench(rig) -> None:
    own = rig.as_simulated()
    own._commands["supply"] = replace(SCPI_1999, output_on="NONSENSE 1")
    with closing(open_bench(own, True, {}, seed="1")) as bench:
        bench.begin_trace()
        bench.energise(12.0)
        assert bench.supply.is_on()


def test_a_brake_on_an_output_of_the_supply_on_the_simulated_bench(rig) -> None:
    own = {
        "driver": "current",
        "torque_constant": 0.5,
        "compliance_voltage": 24.0,
        "resource": rig.supply.resource,
    }
    shared = rig.model_copy(update={"brake": rig.brake.model_copy(update=own)})
    with take(shared, {}), closing(open_bench(shared, True, {}, seed="1")) as bench:
        assert bench.require_brake().identify().model == "SIM-BRAKE"
        assert bench.supply.identify().model == "SIM-SUPPLY"
        bench.require_brake().apply(0.1)
