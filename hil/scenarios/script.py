"""Manoeuvres and primitive steps for scenarios written in Python, with measuring and judging.

    script.prepare(voltage=24.0, sensing="hall")
    measured = script.start(2000.0)
    script.judge(measured["time-to-speed"], high=1.5)
    measured = script.speed_step(3000.0)

Each manoeuvre records its own trace and may begin with the shaft already turning. What a plan could
not ask for on the rig is a `ScenarioError`, a mistake of the test, before anything is done.
"""

from __future__ import annotations

from collections.abc import Mapping

from hil.bench.bench import Bench
from hil.bench.cooling import cool_down
from hil.bench.link_doubts import link_doubts
from hil.core.band import Band, Rule
from hil.core.drive import Direction, Sensing
from hil.core.errors import ScenarioError
from hil.core.measure import Measure
from hil.core.trace import Trace
from hil.core.verdict import Doubt, Judgement, Verdict
from hil.measures.catalogue import measure
from hil.plan.rig import Rig
from hil.scenarios import manoeuvres
from hil.scenarios.act import conditions_for
from hil.scenarios.asked import Asked, Measured, lasting, number, sign, word
from hil.scenarios.manoeuvres import Approach
from hil.scenarios.script_steps import ScriptSteps
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
        self.steps = ScriptSteps(bench, rig)
        self._asked = Asked(rig)
        self.measures: list[Measure] = []
        self.parts: list[int] = []
        self.judgements: list[Judgement] = []
        self.traces: list[Trace] = []
        self.log: list[str] = []
        self._unmeasured = False  # a trace has begun and is not yet in `traces`
        self._misfits: list[Doubt] = []  # of the traces in `traces`

    # -- preparing -------------------------------------------------------------------------

    def prepare(self, *, voltage: float | None = None, sensing: str | None = None) -> None:
        """Supply on at `voltage` V, board idle, sensing selected; as before where none is given.

        Before there is any, it is the rig's own voltage and the first sensing of its board.
        """
        asked = self._voltage if voltage is None else self._asked.voltage(voltage)
        how = self._sensing if sensing is None else self._asked.sensing(sensing)
        cooled = cool_down(self.bench)
        self._begin()
        if cooled:
            self.steps.say(cooled)
        self.steps.supply(asked)
        self.steps.ready(how.value)

    def rest(self) -> None:
        """Ordinary stop: ask the board, wait for standstill, supply off."""
        self.steps.rest()

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
        way, speed = sign(direction), self._asked.speed(speed)
        approach, hold = _approach(way, tolerance, within), lasting("hold", hold)
        self._begin()
        manoeuvres.start(self.steps, approach, speed=speed, hold=hold)
        return self._measured("start", way, target=speed, entry=0.0, tolerance=tolerance)

    def reversal(
        self, speed: float, *, tolerance: float = 5.0, within: float = 5.0, hold: float = 0.8
    ) -> Mapping[str, Measure]:
        """From the present speed to `speed` rpm the other way round.

        Raises
        ------
        ScenarioError
            If the shaft is not commanded to turn.
        BenchError
            If braking could raise the DC link too far.
        """
        way, entry, approach = self._running(tolerance, within)
        speed, hold = self._asked.speed(speed), lasting("hold", hold)
        self._begin()
        manoeuvres.reversal(self.steps, approach, entry=entry, speed=speed, hold=hold)
        return self._measured("reversal", way, target=speed, entry=entry, tolerance=tolerance)

    def speed_step(
        self, speed: float, *, tolerance: float = 5.0, within: float = 5.0, hold: float = 0.8
    ) -> Mapping[str, Measure]:
        """From the present speed to `speed` rpm, same direction."""
        way, entry, approach = self._running(tolerance, within)
        speed, hold = self._asked.speed(speed), lasting("hold", hold)
        self._begin()
        manoeuvres.speed_step(self.steps, approach, entry=entry, speed=speed, hold=hold)
        return self._measured("speed-step", way, target=speed, entry=entry, tolerance=tolerance)

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
        way, entry, approach = self._running(tolerance, within)
        torque, hold = self._asked.torque(torque), lasting("hold", hold)
        watch = lasting("watch", watch)
        self._begin()
        manoeuvres.stall(self.steps, approach, speed=entry, torque=torque, hold=hold, watch=watch)
        return self._measured(
            "stall", way, target=entry, entry=entry, tolerance=tolerance, trip_expected=True
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
        if not isinstance(measured, Measure):
            raise ScenarioError(f"judge: expected a measure of a manoeuvre, found {measured!r}")
        least = None if low is None else number("low", low, measured.unit)
        most = None if high is None else number("high", high, measured.unit)
        how = Rule(word("rule", rule, Rule))
        try:
            band = Band(measured.name, least, most, measured.unit, how, requirement)
        except ValueError as error:
            raise ScenarioError(f"judge: {error}") from error
        judgement = judge(band, measured, len(self.traces))
        self.judgements.append(judgement)
        return judgement.verdict

    def doubts(self) -> list[Doubt]:
        """Why what did not hold need not be the firmware's, from all there is so far."""
        of_link = self._misfits
        if self._unmeasured and not of_link:
            of_link = self._misfits_in(self.bench.trace())
        return [*of_link, *self.steps.doubts]

    # -- inside ----------------------------------------------------------------------------

    @property
    def _voltage(self) -> float:
        """The supply's, V, however it was set; the rig's own before."""
        return self.steps.voltage or self.rig.supply.voltage

    @property
    def _sensing(self) -> Sensing:
        """As selected, by whatever step; the first of the rig before."""
        return Sensing(self.steps.sensing or self.rig.board.sensing[0])

    def _begin(self) -> None:
        """Begin a trace, and keep what the log says of the steps before it."""
        self.log += self.steps.log
        self.steps.begin_trace()
        self._unmeasured = True

    def finish(self) -> None:
        """Keep the trace of a manoeuvre that ended early, and the last lines of the log."""
        if self._unmeasured and self.steps.log:
            self.bench.take_rest()
            self._add(self.bench.trace())
        self._unmeasured = False
        self.log += self.steps.log
        self.steps.log.clear()

    def _add(self, trace: Trace) -> None:
        self.traces.append(trace)
        self._misfits = self._misfits or self._misfits_in(trace)

    def _misfits_in(self, trace: Trace) -> list[Doubt]:
        rig = self.rig
        facts = self.bench.link_facts()
        return list(link_doubts(trace, facts, rig.profile, rig.profile_path, rig.motor))

    def _running(self, tolerance: float, within: float) -> tuple[int, float, Approach]:
        """Direction and speed of the turning shaft, and how a manoeuvre goes on from there."""
        speed = self.steps.set_point
        if not speed:
            raise ScenarioError("this manoeuvre begins with a turning shaft: call start first")
        way = 1 if speed > 0 else -1
        return way, abs(speed), _approach(way, tolerance, within, running=True)

    def _measured(
        self,
        kind: str,
        way: int,
        *,
        target: float,
        entry: float,
        tolerance: float,
        trip_expected: bool = False,
    ) -> Mapping[str, Measure]:
        trace = self.bench.trace()
        conditions = conditions_for(
            self.rig,
            direction=Direction(way),
            sensing=self._sensing,
            supply_voltage=self._voltage,
            target=target,
            entry=entry,
            tolerance=tolerance,
            trip_expected=trip_expected,
        )
        found = measure(kind, trace, conditions)
        self._add(trace)
        self.measures += found
        self.parts += [len(self.traces)] * len(found)
        self.log += [f"[{len(self.traces)} {kind}] {line}" for line in self.steps.log]
        self.steps.log.clear()
        self._unmeasured = False
        return Measured(kind, found)


def _approach(way: int, tolerance: float, within: float, *, running: bool = False) -> Approach:
    return Approach(
        way,
        number("tolerance", tolerance, "%", above=0.0),
        number("within", within, "s", above=0.0),
        running=running,
    )
