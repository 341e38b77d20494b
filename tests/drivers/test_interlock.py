"""Emergency-stop and guard contacts: read by name, on the simulated bench through VISA."""

from pathlib import Path

import pytest

from hil.bench.access import Access
from hil.bench.simulate import twin_access
from hil.core.errors import InstrumentError
from hil.drivers.interlock import InterlockConfig, ScpiInterlock
from hil.drivers.scpi import ScpiConfig
from hil.plan.load import load_rig
from hil.ports.conformance import InterlockConformance
from hil.twin.wires.registry import find

RIG = Path(__file__).parents[2] / "testplans" / "rigs" / "dosing-pump.yaml"
PLACE = "TCPIP::127.0.0.1::5029::SOCKET"


@pytest.fixture
def access(tmp_path: Path):
    file = tmp_path / "rig.yaml"
    file.write_text(
        f"based-on: {RIG}\nrig: locked\n"
        f"interlock: {{resource: '{PLACE}', expect: SIM-INTERLOCK,"
        f" contacts: {{emergency-stop: 1, guard: 2}}}}\n",
        encoding="utf-8",
    )
    found: Access = twin_access(load_rig(file), "interlock")
    yield found
    for action in found.on_close:
        action()


def opened(access: Access, **contacts: int) -> ScpiInterlock:
    config = InterlockConfig(
        scpi=ScpiConfig(resource=PLACE, role="interlock", expect="SIM-INTERLOCK"),
        contacts=contacts or {"emergency-stop": 1, "guard": 2},
    )
    return ScpiInterlock.open(config, access.clock, access.visa)


class TestInterlock(InterlockConformance):
    @pytest.fixture
    def clock(self, access):
        return access.clock

    @pytest.fixture
    def port(self, access):
        interlock = opened(access)
        yield interlock
        interlock.close()


def test_an_open_circuit_is_told_from_the_others(access) -> None:
    interlock = opened(access)
    world = find(access.board.split("/")[2])
    world.instruments[PLACE].closed[2] = False
    assert interlock.read() == {"emergency-stop": True, "guard": False}
    world.instruments[PLACE].closed[2] = True
    assert interlock.read() == {"emergency-stop": True, "guard": True}
    interlock.close()


def test_an_input_that_does_not_exist_is_an_error_and_never_a_closed_circuit(access) -> None:
    interlock = opened(access, guard=9)
    with pytest.raises(InstrumentError):
        interlock.read()
    interlock.close()


def test_an_instrument_that_does_not_answer_is_an_error(access) -> None:
    interlock = opened(access)
    find(access.board.split("/")[2]).instruments[PLACE].silent = True
    with pytest.raises(InstrumentError):
        interlock.read()
    interlock.close()
