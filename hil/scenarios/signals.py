"""The primitive steps that act on signal lines, and on the link by saying nothing."""

from __future__ import annotations

from hil.bench.bench import Bench
from hil.core.errors import InstrumentError
from hil.core.ladder import in_words, rung_of
from hil.ports.instruments import PulsingSwitch


class SignalSteps:
    """Steps on the lines of a board."""

    def __init__(self, bench: Bench) -> None:
        self.bench = bench
        self._rung = ""

    def say(self, text: str) -> None:
        """Note a step."""
        self.bench.observer.step(text)

    def set_line(self, line: str, closed: bool) -> None:
        """Close or open a line of the signal switch."""
        self.say(f"{'close' if closed else 'open'} line {line}")
        switch = self.bench.require_switch()
        if rung_of(line) is not None and not closed:
            self.bench.watch.sensor_replaced()
        self.bench.mark("line-closed" if closed else "line-opened", detail=line)
        switch.set(line, closed)
        if rung_of(line) is not None and closed:
            self.bench.watch.sensor_back(self.bench.clock.now())

    def glitch(self, line: str, seconds: float, *, times: int = 1, every: float = 0.0) -> None:
        """Open a line of the signal switch for a moment, so many times, one every so many s.

        Raises
        ------
        InstrumentError
            If a switch that must be told twice kept it open for half as long again.
        """
        often = f", {times} times, {1e3 * every:g} ms apart" if times > 1 else ""
        self.say(f"line {line} open for {1e3 * seconds:g} ms{often}")
        for number in range(times):
            begun = self.bench.clock.now()
            self._break(line, seconds)
            if number < times - 1:
                self.bench.wait(max(0.0, begun + every - self.bench.clock.now()))

    def _break(self, line: str, seconds: float) -> None:
        bench, switch = self.bench, self.bench.require_switch()
        begun = bench.clock.now()
        bench.mark("glitch", detail=f"{line} {1e3 * seconds:g} ms")
        if isinstance(switch, PulsingSwitch) and switch.pulses:
            switch.pulse(line, seconds)
            bench.wait(seconds)
            return
        switch.set(line, False)
        bench.wait(max(0.0, begun + seconds - bench.clock.now()))
        switch.set(line, True)
        took = bench.clock.now() - begun
        self.say(f"line {line} was open for {1e3 * took:.3g} ms at most")
        if took > 1.5 * seconds:
            raise InstrumentError(
                f"the signal switch cannot make a break of {1e3 * seconds:g} ms: {line} may have "
                f"been open for {1e3 * took:.3g} ms"
            )

    def stand_in(self, line: str) -> None:
        """Put a rung of the ladder in the place of the temperature sensor; "" for the sensor.

        Only one at a time: the one before is closed first.
        """
        if self._rung:
            self.set_line(self._rung, True)
        self._rung = line
        if line:
            self.say(f"{in_words(line)} in place of the temperature sensor")
            self.set_line(line, False)

    def silence(self, seconds: float) -> None:
        """Say nothing to the board for a time, and go on listening."""
        self.say(f"say nothing for {seconds:g} s")
        self.bench.mark("silence")
        self.bench.quiet = True
        try:
            self.bench.wait(seconds)
        finally:
            self.bench.quiet = False
