"""All measures of one scenario trace, against plain library calls for the same figures."""

from __future__ import annotations

from collections.abc import Iterator

from ci.timing.result import Result, side_by_side

SAMPLES = 10_000


def run() -> Iterator[Result]:
    """A start and a sweep of 10,000 tachometer samples; then its figures by hand with pandas."""
    import numpy as np
    import pandas as pd
    from scipy import signal, stats

    from hil.core.conditions import Conditions
    from hil.core.drive import Direction, DriveState, Sensing
    from hil.core.trace import Accuracy, Channel, Mark, Trace
    from hil.measures.catalogue import measure

    rng = np.random.default_rng(1)
    fast = np.arange(SAMPLES) * 1e-3
    mid, slow = fast[::5], fast[::50]
    pulses = 20.0 * np.sin(2.0 * np.pi * 100.0 * fast)
    speed = np.clip((fast - 1.0) * 4000.0, 0.0, 2000.0) + np.where(fast > 1.5, pulses, 0.0)
    speed = np.round((speed + rng.normal(0.0, 1.0, SAMPLES)) / 2.93) * 2.93
    state = np.where(mid < 1.0, float(DriveState.IDLE), float(DriveState.RUN))
    columns = {
        "witness.speed": ("rpm", fast, speed),
        "witness.position": ("deg", fast, np.cumsum(speed) * 6e-3),
        "reported.speed": ("rpm", mid, speed[::5]),
        "reported.current": ("A", mid, 1.0 + 0.1 * np.sin(mid)),
        "reported.peak": ("A", mid, 1.2 + 0.1 * np.sin(mid)),
        "reported.voltage": ("V", mid, 24.0 + 0.0 * mid),
        "reported.temperature": ("degC", mid, 25.0 + mid),
        "reported.state": ("1", mid, state),
        "reported.fault": ("1", mid, 0.0 * mid),
        "supply.voltage": ("V", slow, 24.0 + 0.0 * slow),
        "supply.current": ("A", slow, 0.4 + 0.0 * slow),
    }
    told = Accuracy(0.001, 0.01, 0.01)
    channels = {
        name: Channel(name, unit, np.asarray(t, np.float64), y, told, 1e-4, float(t[1] - t[0]))
        for name, (unit, t, y) in columns.items()
    }
    marks = (Mark("command", 1.0, detail="+2000 rpm"), Mark("set-point", 1.0), Mark("stop", 9.5))
    trace = Trace(channels, marks, float(fast[-1]), mid.size)
    asked = Conditions(
        direction=Direction.CLOCKWISE,
        sensing=Sensing.HALL,
        supply_voltage=24.0,
        pole_pairs=4,
        target=2000.0,
        back_emf_constant=0.04,
        resistance=1.2,
    )
    frame = pd.Series(speed, index=pd.to_timedelta(fast, unit="s"))

    def plain() -> tuple[float, ...]:
        """Level, time to speed, overshoot, ripple, settling, slope: the costly ones of a start."""
        smooth = frame.rolling("20ms", center=True).mean().to_numpy()
        short = frame.rolling("5ms", center=True).mean().to_numpy()
        final = float(frame.iloc[-1000:-500].mean())
        inside = np.abs(smooth - 2000.0) <= 100.0
        reached = float(fast[np.argmax(inside & (fast > 1.0))])
        settled = float(fast[np.flatnonzero(~inside)[-1]])
        ripple = float(np.ptp(short[-1000:-500]))
        over = float(short[1000:].max() - final)
        peaks = signal.find_peaks(columns["reported.peak"][2])[0].size
        there = np.interp(mid, fast, smooth)
        line = stats.linregress(there, columns["reported.speed"][2])
        worst = float(np.max(np.abs(there - columns["reported.speed"][2])))
        return final, reached, settled, ripple, over, float(peaks), line.slope, worst

    for kind in ("start", "steps", "speed-step"):
        measure(kind, trace, asked)
        ours, theirs = side_by_side(
            lambda kind=kind: measure(kind, trace, asked),  # type: ignore[misc]
            plain,
            rounds=15,
            cpu=True,
        )
        yield Result(f"all measures of a {kind}, 10,000 samples", 1e3 * ours, "ms", "lower", 20.0)
        yield Result(f"the same against plain calls, {kind}", ours / theirs, "1", "lower", None)
