"""What the charts of an item show: panels, series, pass bands and marks, as plain data."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from hil.core.band import Band
from hil.core.record import ItemResult
from hil.core.trace import FloatArray, Trace
from hil.report.thin import packed, thin

#: Panels from the top: title, unit, and channel -> name for people.
PANELS: tuple[tuple[str, str, dict[str, str]], ...] = (
    (
        "Speed",
        "rpm",
        {
            "reported.setpoint": "set point",
            "reported.speed": "firmware",
            "witness.speed": "tachometer",
        },
    ),
    (
        "Current",
        "A",
        {
            "reported.current": "firmware",
            "reported.peak": "firmware peak",
            "supply.current": "supply readback",
        },
    ),
    (
        "Voltage",
        "V",
        {
            "reported.voltage": "firmware",
            "supply.voltage": "supply readback",
        },
    ),
    ("Shaft angle", "deg", {"witness.position": "tachometer"}),
    (
        "Power stage",
        "degC",
        {"reported.temperature": "firmware", "witness.temperature": "thermometer"},
    ),
)
#: Unit -> what an axis spans at least: some twenty steps of an ordinary reading. On a smaller axis
#: noise and the last digit look like events. Common practice, no source.
LEAST = {"rpm": 20.0, "A": 0.1, "V": 0.5, "deg": 5.0, "degC": 5.0}
#: Line styles by where a number comes from: independent instruments, the firmware, and what is
#: neither of the two (a set point, a held peak). Everywhere the same, so that it is learnt once.
STYLES = ("solid", "dash", "dot")
#: Scenario -> marks its times may count from, the first present one is taken.
_ONSETS = {
    "start": ("command",),
    "reversal": ("reverse",),
    "stall": ("brake-on",),
    "speed-step": ("set-point",),
    "protection": ("line-opened", "brake-on", "silence", "dip", "supply-set", "glitch"),
    "derating": ("brake-on",),
}
#: Measures that are durations from that onset; others count from instants no chart knows.
_FROM_ONSET = ("time-to-", "settling-time", "trip-time-from-brake")


@dataclass(frozen=True, eq=False)
class Series:
    """One line in a panel, thinned; `style` is one of `STYLES`."""

    name: str
    style: str
    t: FloatArray
    y: FloatArray


@dataclass(frozen=True)
class Limit:
    """A limit of a pass band that has a place in a chart.

    `level` is a value on the panel's axis, or, with `across` False, an instant in s.
    """

    level: float
    label: str
    across: bool = True


@dataclass(frozen=True, eq=False)
class Panel:
    """One chart of the stack."""

    title: str
    unit: str
    series: tuple[Series, ...]
    limits: tuple[Limit, ...] = field(default=())

    @property
    def range(self) -> tuple[float, float]:
        """Smallest and largest value to show, limits included; (0, 1) without any.

        Never closer than `LEAST` of the unit.
        """
        parts = [s.y[np.isfinite(s.y)] for s in self.series]
        parts.append(np.array([limit.level for limit in self.limits if limit.across]))
        values = np.concatenate(parts)
        if not values.size:
            return 0.0, 1.0
        low, high = float(values.min()), float(values.max())
        lack = max(0.0, LEAST[self.unit] - (high - low)) / 2.0
        return low - lack, high + lack


def panels(trace: Trace, result: ItemResult | None, repeat: int, points: int) -> tuple[Panel, ...]:
    """The panels that have data, with the bands that can be drawn in them.

    Parameters
    ----------
    result : what the trace was judged by; without, no band is drawn.
    repeat : repetition the trace belongs to, from 1.
    points : largest number of points of one series.
    """
    found = []
    judged = result.judgements if result else ()
    bands = {j.band for j in judged if j.repeat in (0, repeat)}
    ordered = sorted(bands, key=lambda band: band.measure)
    for title, unit, channels in PANELS:
        series = []
        for name, words in channels.items():
            channel = trace.channel(name)
            if channel is not None and bool(np.isfinite(channel.y).any()):
                series.append(Series(words, _style(name), *thin(channel.t, channel.y, points)))
        if series:
            scenario = result.scenario if result else ""
            limits = tuple(_limits(title, trace, scenario, ordered))
            found.append(Panel(title, unit, tuple(series), limits))
    return tuple(found)


def chart_data(trace: Trace, shown: Iterable[Panel]) -> dict[str, Any]:
    """The panels as the script of the page reads them; numbers are packed 16-bit steps."""
    end = max(trace.end, 1e-9)
    data = []
    for panel in shown:
        low, high = panel.range
        data.append(
            {
                "title": panel.title,
                "unit": panel.unit,
                "range": [low, high],
                "least": LEAST[panel.unit],
                "series": [
                    {
                        "name": s.name,
                        "style": s.style,
                        "t": packed(s.t, 0.0, end),
                        "y": packed(s.y, low, high),
                    }
                    for s in panel.series
                ],
                "limits": [
                    {"level": x.level, "label": x.label, "across": x.across} for x in panel.limits
                ],
            }
        )
    return {"end": end, "panels": data, "marks": [round(mark.t, 6) for mark in trace.marks]}


def _limits(title: str, trace: Trace, scenario: str, bands: Iterable[Band]) -> Iterable[Limit]:
    """Limits with a place in the panel called `title`; the others are in the table only."""
    for band in bands:
        ends = (("min", band.low), ("max", band.high))
        unit = "" if band.unit == "1" else f" {band.unit}"
        edges = [
            (edge, f"{band.measure} {word} {edge:g}{unit}")
            for word, edge in ends
            if edge is not None
        ]
        peak = "peak" in band.measure
        if (title, band.unit) in {("Speed", "rpm"), ("Current", "A"), ("Voltage", "V")} and peak:
            for edge, label in edges:
                yield Limit(edge, label)
        elif title == "Speed" and band.unit == "s" and band.measure.startswith(_FROM_ONSET):
            onset = _onset(trace, scenario)
            for edge, label in edges:
                if onset is not None and edge > 0.0 and onset + edge <= trace.end:
                    yield Limit(onset + edge, label, across=False)
        elif (title, scenario, band.measure) == ("Speed", "start", "overshoot"):
            # Only from rest is the amplitude, of which an overshoot is a share, the target itself.
            target = _target(trace)
            for edge, label in edges:
                if target is not None:
                    yield Limit(target * (1.0 + edge / 100.0), label)


def _style(channel: str) -> str:
    if channel in {"reported.setpoint", "reported.peak"}:
        return "dot"
    return "dash" if channel.startswith("reported.") else "solid"


def _onset(trace: Trace, scenario: str) -> float | None:
    for name in _ONSETS.get(scenario, ()):
        mark = trace.mark(name)
        if mark is not None:
            return mark.t
    return None


def _target(trace: Trace) -> float | None:
    """The last set point that was not zero, rpm."""
    channel = trace.channel("reported.setpoint")
    if channel is None:
        return None
    asked = channel.y[np.isfinite(channel.y) & (channel.y != 0.0)]
    return float(asked[-1]) if asked.size else None
