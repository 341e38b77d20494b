"""What a trace tells of a link profile that does not fit the firmware, or of a board without power.

Such a mistake looks like a drive at fault, or like data that are not there. Which of the two is
wrong no trace can tell; that they do not fit each other it can, and what did not hold then need not
be the firmware's.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from hil.core.trace import FloatArray, Trace
from hil.core.verdict import Doubt
from hil.plan.rig import Motor
from hil.ports.link import LinkDescription

#: What such a doubt is about.
LINK = "link profile"
LEADS = "leads"
KINDS = (LINK, LEADS)
#: Crystals differ by parts in a million, RC oscillators by a few per cent: beyond a factor of two
#: it is the unit.
FAST, SLOW = 2.0, 0.5
#: What decoders say where a frame is whole and is not as the profile says, without the bytes that
#: follow; a bad checksum and a frame without an end may be the cable's.
MISFIT = re.compile(
    r"\S.*?: \d+ (?:fields|bytes), expected \d+|unknown message (?:'[^']*'|[0-9a-f ]+)"
    r"|\S.*?: unknown code .*"
)
UNKNOWN_CODE = ": unknown code "
UNKNOWN_MESSAGE = "unknown message "
#: So many of them are shown.
SHOWN = 3
#: A slower message is missed after so many times as long as its values count, or are asked for.
DUE = 2.5
#: A code that came once may be a bit that was turned over on the line.
SEEN = 2
#: Factors that come of a scale or a sign, not of a drive. A speed told late while it changes, and a
#: voltage read a moment later, are off by less than `NEAR` of the factor.
FACTORS = tuple(sign * 10.0**n for sign in (1.0, -1.0) for n in range(-3, 4) if (sign, n) != (1, 0))
NEAR = 0.15
#: As above, where an electrical speed is taken for that of the shaft, or the other way round: a
#: drive that merely reports poorly hits the number of pole pairs by chance only.
NEAR_ELECTRICAL = 0.1
#: As above for a current: losses, and what a firmware means by it (RMS, amplitude, one axis of
#: two), take a share of the balance of power, and the one is read a moment after the other.
NEAR_CURRENT = 0.5
#: Of the rated current, and of the rated power: below, the board itself may take most of it.
LEAST_CURRENT, LEAST_POWER = 0.1, 0.03
#: Below these (rpm, V) a ratio is one of noise.
LEAST_SPEED, LEAST_VOLTAGE = 200.0, 2.0
#: Below this share of what the supply gives, a DC link is not connected to it: no scale is meant,
#: and no divider or offset is so far off (common practice, no source).
NOTHING = 0.05
#: So many pairs make a ratio.
PAIRS = 3


@dataclass(frozen=True, slots=True)
class LinkFacts:
    """What the link of a board came to in one trace.

    Parameters
    ----------
    frames : telemetry that decoded.
    reasons : what did not fit the profile, see `misfit` -> how many pieces.
    clock : how many times as fast as the host's time that of the board runs; None if unknown.
    """

    frames: int = 0
    reasons: Mapping[str, int] | None = None
    clock: float | None = None


def misfit(text: str) -> str:
    """What of a text about bad data tells of a profile that does not fit, without bytes; or ""."""
    found = MISFIT.match(text)
    return found[0] if found else ""


def link_doubts(
    trace: Trace, facts: LinkFacts, profile: LinkDescription, file: Path, motor: Motor | None = None
) -> Iterator[Doubt]:
    """One for each way in which the trace shows that profile and firmware do not fit.

    `motor`: its name plate by the rig file; without it neither electrical speeds nor currents tell.
    """
    pole_pairs = 1 if motor is None else motor.pole_pairs
    for reason, count in (facts.reasons or {}).items():
        # a frame with a code that is unknown has decoded otherwise
        if count >= SEEN if UNKNOWN_CODE in reason else count > facts.frames:
            yield _doubt(f"firmware and profile disagree: {reason} ({file.name})")
    for name in _never_came(trace, profile):
        came = [reason for reason in facts.reasons or {} if reason.startswith(UNKNOWN_MESSAGE)]
        yield _doubt(
            f"no {name} has arrived: its key in {file.name}, or firmware?"
            + (f" ({', '.join(came[:SHOWN])})" if came else "")
        )
    clock = facts.clock
    if clock is not None and not SLOW <= clock <= FAST:
        yield _doubt(
            f"board time runs {times(clock)} as fast as the host's: unit of field "
            f"{_time_field(profile)!r} in {file.name}, or firmware?"
        )
        return  # at which instants anything else was reported is unknown
    for channel, other, least, whose in (
        ("reported.voltage", "supply.voltage", LEAST_VOLTAGE, "what the supply measures"),
        ("reported.speed", "witness.speed", LEAST_SPEED, "what the tachometer shows"),
    ):
        ratio = _ratio(trace, channel, other, least)
        if ratio is None:
            continue
        if any(abs(ratio / factor - 1.0) < NEAR for factor in FACTORS):
            what = "sign" if abs(ratio + 1.0) < NEAR else "scale"
            yield _doubt(
                f"{channel} is {times(ratio)} {whose}: {what} in {file.name}, or firmware?"
            )
        elif channel == "reported.speed" and _electrical(abs(ratio), pole_pairs):
            yield _doubt(
                f"{channel} is {times(ratio)} {whose}, and the rig file has {pole_pairs} pole "
                f"pairs: an electrical speed, by its unit in {file.name}, or firmware?"
            )
        elif channel == "reported.voltage" and abs(ratio) < NOTHING:
            yield Doubt(
                LEADS,
                f"the board reports {100.0 * abs(ratio):.1f} % of the voltage that the supply "
                "measures at its output: a lead, a fuse, another board's supply, or firmware?",
            )
    current = None if motor is None else _current_ratio(trace, motor)
    if current is not None and any(abs(current / f - 1.0) < NEAR_CURRENT for f in FACTORS):
        yield _doubt(
            f"reported.current is {times(current)} what the power of the supply takes: scale in "
            f"{file.name}, or firmware?"
        )


def _never_came(trace: Trace, profile: LinkDescription) -> Iterator[str]:
    """Messages with slower values of which telemetry has shown none, long after they were due."""
    told = trace.channel("reported.speed")
    span = 0.0 if told is None or not told.t.size else float(told.t[-1] - told.t[0])
    every = {poll.answer: poll.period for poll in profile.polls}
    for name, message in profile.messages.items():
        if not name.startswith("telemetry-") or span < DUE * max(profile.hold, every.get(name, 0)):
            continue
        leaves = [leaf for field in message.fields for leaf in (field, *field.parts)]
        values = [trace.channel(leaf.channel) for leaf in leaves if leaf.channel]
        if values and not any(one is not None and np.isfinite(one.y).any() for one in values):
            yield name


def _electrical(ratio: float, pole_pairs: int) -> bool:
    factors = (float(pole_pairs), 1.0 / pole_pairs) if pole_pairs > 1 else ()
    return any(abs(ratio / factor - 1.0) < NEAR_ELECTRICAL for factor in factors)


def _current_ratio(trace: Trace, motor: Motor) -> float | None:
    """How many times the reported current is what the power of the supply takes; None if unknown.

    V·I of the supply is turned into ke·w·I + R·I² of the motor, as `hil.measures.power_balance` has
    it.
    """
    names = ("reported.current", "witness.speed", "supply.voltage", "supply.current")
    told, speed, volts, amps = (trace.channel(name) for name in names)
    if told is None or speed is None or volts is None or amps is None:
        return None
    if not (told.t.size and speed.t.size and volts.t.size and amps.t.size):
        return None
    t, y = _known(told.t, told.y)
    u, power = _known(amps.t, np.interp(amps.t, volts.t, volts.y) * amps.y)
    if not t.size or not u.size:
        return None
    e = motor.back_emf_constant * np.abs(np.interp(u, speed.t, speed.y)) * np.pi / 30.0
    power = np.maximum(power, 0.0)
    root = e + np.sqrt(e * e + 4.0 * motor.resistance * power)
    expected = 2.0 * power / np.maximum(root, 1e-9)
    use = (u >= t[0]) & (u <= t[-1]) & (expected > LEAST_CURRENT * motor.rated_current)
    use &= power > LEAST_POWER * motor.rated_current * motor.rated_voltage
    if np.count_nonzero(use) < PAIRS:
        return None
    return float(np.median(np.abs(np.interp(u[use], t, y)) / expected[use]))


def _doubt(text: str) -> Doubt:
    return Doubt(LINK, text)


def times(ratio: float) -> str:
    """A ratio in three digits: ``10.0 times``, ``0.00100 times``, ``1000 times``."""
    return f"{ratio:#.3g} times".replace(". ", " ") if abs(ratio) < 999.5 else f"{ratio:.0f} times"


def _time_field(profile: LinkDescription) -> str:
    fields = profile.messages["telemetry"].fields
    leaves = [leaf for field in fields for leaf in (field, *field.parts)]
    return next((leaf.name for leaf in leaves if leaf.role == "board-time"), "board-time")


def _ratio(trace: Trace, channel: str, other: str, least: float) -> float | None:
    """How many times the one channel is the other where that is beyond `least`; None if unknown."""
    told, seen = trace.channel(channel), trace.channel(other)
    if told is None or seen is None:
        return None
    t, y = _known(told.t, told.y)
    u, z = _known(seen.t, seen.y)
    if not t.size or not u.size:
        return None
    inside = (t >= u[0]) & (t <= u[-1])
    reference = np.interp(t, u, z)
    use = inside & (np.abs(reference) > least)
    if np.count_nonzero(use) < PAIRS:
        return None
    return float(np.median(y[use] / reference[use]))


def _known(t: FloatArray, y: FloatArray) -> tuple[FloatArray, FloatArray]:
    use = np.isfinite(y)
    return t[use], y[use]
