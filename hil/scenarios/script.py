"""Manoeuvres and primitive steps for scenarios written in Python, with measuring and judging.

    script.prepare(voltage=24.0, sensing="hall")
    measured = script.start(2000.0)
    script.judge(measured["time-to-speed"], high=1.5)
    measured = script.speed_step(3000.0)

Each manoeuvre records its own trace and may begin with the shaft already turning.
"""

from __future__ import annotations

from collections.abc import Mapping

from hil.bench.bench import Bench
from hil.core.band import Band, Rule
from hil.core.drive import Direction, Sensing
from hil.core.errors import BenchError
from hil.core.measure import Measure
from hil.core.trace import Trace
from hil.core.verdict import Judgement, Verdict
from hil.measures.catalogue import measure
from hil.plan.rig import Rig
from hil.scenarios import manoeuvres
from hil.scenarios.act import conditions_for, refuse_unsafe_reversal
from hil.scenarios.manoeuvres import Approach
from hil.scenarios.steps import Steps
from hil.verdicts.decide import judge


class Script:
    """See the module text.

    Attributes
    ----------
    steps : the primitive steps, to be used freely between manoeuvres.
    measures, judgements, traces : everything measured and judged so far, in order.
    parts : number of the manoeuvre each entry of `measures` belongs to, from 1.
    """

    def __init__(self, bench: Bench, rig: Rig) -> None:
        self.bench, self.rig = bench, rig
        self.steps = Steps(bench)
        self.measures: list[Measure] = []
        self.parts: list[int] = []
        self.judgements: list[Judgement] = []
        self.traces: list[Trace] = []
        self.log: list[str] = []
        self._voltage = rig.supply.voltage
        self._sensing = Sensing(rig.board.sensing[0])
        self._speed = 0.0  # signed set point, rpm
        self._unmeasured = False  # a trace has begun and is not yet in `traces`

    # -- preparing -------------------------------------------------------------------------

    def prepare(self, *, voltage: float | None = None, sensing: str | None = None) -> None:
        """Supply on at `voltage` V (the rig's own by default), board idle, sensing selected."""
        self._voltage = voltage or self._voltage
        self._sensing = Sensing(sensing) if sensing else self._sensing
        self._begin()
        self.steps.supply(self._voltage)
        self.steps.ready(self._sensing.value)

    def rest(self) -> None:
        """Ordinary stop: ask the board, wait for standstill, supply off."""
        self.bench.come_to_rest()
        self._speed = 0.0

    # -- manoeuvres ------------------------------------------------------------------------

    def start(
        self,
        speed: float,
        *,
        direction: str = "cw",
        tolerance: float = 5.0,
        within: float = 5.0,
        hold: float = 0.8,
    ) -> Mapping[str, Measure]:
        """From standstill to `speed` rpm. Returns its measures by name."""
        sign = self._sign(direction)
        self._begin()
        manoeuvres.start(
            self.steps,
            Approach(sign, tolerance, within),
            speed=speed,
            hold=hold,
        )
        self._speed = sign * speed
        return self._measured("start", sign, target=speed, entry=0.0, tolerance=tolerance)

    def reversal(
        self, speed: float, *, tolerance: float = 5.0, within: float = 5.0, hold: float = 0.8
    ) -> Mapping[str, Measure]:
        """From the present speed to `speed` rpm the other way round.

        Raises
        ------
        BenchError
            If the shaft is not commanded to turn, or braking could raise the DC link too far.
        """
        refuse_unsafe_reversal(self.rig, entry=self._running()[1], voltage=self._voltage)
        sign, entry, approach = self._go_on(tolerance, within)
        manoeuvres.reversal(self.steps, approach, entry=entry, speed=speed, hold=hold)
        self._speed = -sign * speed
        return self._measured("reversal", sign, target=speed, entry=entry, tolerance=tolerance)

    def speed_step(
        self, speed: float, *, tolerance: float = 5.0, within: float = 5.0, hold: float = 0.8
    ) -> Mapping[str, Measure]:
        """From the present speed to `speed` rpm, same direction."""
        sign, entry, approach = self._go_on(tolerance, within)
        manoeuvres.speed_step(self.steps, approach, entry=entry, speed=speed, hold=hold)
        self._speed = sign * speed
        return self._measured("speed-step", sign, target=speed, entry=entry, tolerance=tolerance)

    def stall(
        self,
        torque: float,
        *,
        tolerance: float = 5.0,
        within: float = 5.0,
        hold: float = 1.5,
        watch: float = 0.5,
    ) -> Mapping[str, Measure]:
        """Brake the turning shaft with `torque` N m until the drive trips; clear, start again."""
        sign, entry, approach = self._go_on(tolerance, within)
        manoeuvres.stall(self.steps, approach, speed=entry, torque=torque, hold=hold, watch=watch)
        return self._measured(
            "stall", sign, target=entry, entry=entry, tolerance=tolerance, trip_expected=True
        )

    # -- judging ---------------------------------------------------------------------------

    def judge(
        self,
        measured: Measure,
        *,
        low: float | None = None,
        high: float | None = None,
        rule: str = "simple",
        requirement: str = "",
    ) -> Verdict:
        """Hold a measure against limits in its own unit; recorded, and decisive for the test."""
        band = Band(measured.name, low, high, measured.unit, Rule(rule), requirement)
        judgement = judge(band, measured, len(self.traces))
        self.judgements.append(judgement)
        return judgement.verdict

    # -- inside ----------------------------------------------------------------------------

    def _begin(self) -> None:
        """Begin a trace, and keep what the log says of the steps before it."""
        self.log += self.steps.log
        self.steps.begin_trace()
        self._unmeasured = True

    def finish(self) -> None:
        """Keep the trace of a manoeuvre that ended early, and the last lines of the log."""
        if self._unmeasured and self.steps.log:
            self.bench.take_rest()
            self.traces.append(self.bench.trace())
        self._unmeasured = False
        self.log += self.steps.log
        self.steps.log.clear()

    def _sign(self, direction: str) -> int:
        words = {d.word: int(d) for d in Direction}
        if direction not in words:
            raise ValueError(f"direction {direction!r}: expected {' or '.join(words)}")
        return words[direction]

    def _running(self) -> tuple[int, float]:
        if not self._speed:
            raise BenchError("this manoeuvre begins with a turning shaft: call start first")
        return (1 if self._speed > 0 else -1), abs(self._speed)

    def _go_on(self, tolerance: float, within: float) -> tuple[int, float, Approach]:
        """Begin a manoeuvre with the turning shaft: its direction and speed, and the approach."""
        sign, entry = self._running()
        self._begin()
        return sign, entry, Approach(sign, tolerance, within, running=True)

    def _measured(
        self,
        kind: str,
        sign: int,
        *,
        target: float,
        entry: float,
        tolerance: float,
        trip_expected: bool = False,
    ) -> Mapping[str, Measure]:
        trace = self.bench.trace()
        conditions = conditions_for(
            self.rig,
            direction=Direction(sign),
            sensing=self._sensing,
            supply_voltage=self._voltage,
            target=target,
            entry=entry,
            tolerance=tolerance,
            trip_expected=trip_expected,
        )
        found = measure(kind, trace, conditions)
        self.traces.append(trace)
        self.measures += found
        self.parts += [len(self.traces)] * len(found)
        self.log += [f"[{len(self.traces)} {kind}] {line}" for line in self.steps.log]
        self.steps.log.clear()
        self._unmeasured = False
        return {one.name: one for one in found}
