"""Every framing against the suite of the port, over a pseudo-terminal, from its example profile."""

from __future__ import annotations

import pytest

from hil.ports.conformance import BoardConformance


class TestFramed(BoardConformance):
    """Lines of several dresses, COBS, SLIP, delimited and length-prefixed frames."""

    @pytest.fixture
    def port(self, framed, serve_board, opened, clock):
        served = serve_board(framed)
        return opened(framed, served.url, clock)

    def test_obeys(self, port, framed):
        """Every command the profile has, in the order of a normal run."""
        port.select_sensing(framed.sensing or "hall")
        port.start(self.speed)
        port.set_speed(-self.speed)
        port.stop()
        port.clear()


class TestModbus(BoardConformance):
    """Against a server of the Modbus library."""

    @pytest.fixture
    def port(self, profiles, modbus_device, opened, clock):
        return opened(profiles("examples/modbus"), modbus_device.url, clock)
