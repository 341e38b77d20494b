"""Integration of one PWM period, from the last edge of the one before to its own last edge.

Nothing switches from the last edge of one period to the first of the next, unless the firmware
commutates between them. So a period is integrated only as far as its last edge, and what is left of
it, the *lag*, in one step with the beginning of the next. What the bench sets, and the supply's
protection and the chopper, act from there on: by the lag, less than a period, too early.
"""

from __future__ import annotations

from typing import Any

from hil.twin.jit import compiled, inlined, spliced
from hil.twin.kernel_amplifier import amplify
from hil.twin.kernel_bridge import OPEN, connect, edges, gate, path
from hil.twin.kernel_motor import trapezoid
from hil.twin.kernel_pair import DONE, coast, pair
from hil.twin.kernel_sense import look, sample
from hil.twin.kernel_step import full_step, step

#: Shorter stretches of time are not integrated, s.
_NOTHING = 1e-13
#: How far from the middle of a step may be sampled, as a fraction of the step.
_ASIDE = 0.2
NONE, SEVERAL = -1, -2
#: Bits of ``STATE.closed`` for the leads of the three phases.
LEADS = 0b111000


@inlined
def open_phase(qa: int, qb: int, qc: int) -> int:
    """Which phase is open: `NONE`, 0, 1 or 2, or `SEVERAL`."""
    a, b, c = qa == OPEN, qb == OPEN, qc == OPEN
    count = a + b + c
    if count != 1:
        return NONE if count == 0 else SEVERAL
    return 0 if a else 1 if b else 2


@spliced
def quick_step(c: Any, s: Any, z: int, qa: int, qb: int, qc: int, h: float) -> int:
    """Try to advance by `h` seconds in a quick step, with phase `z` open; see `kernel_pair`."""
    if z == 0:
        return pair(c, s, 1, 2, 0, qb, qc, h)
    if z == 1:
        return pair(c, s, 0, 2, 1, qa, qc, h)
    if z == 2:
        return pair(c, s, 0, 1, 2, qa, qb, h)
    return coast(c, s, h) if qa == OPEN and qb == OPEN and qc == OPEN else OPEN


@inlined
def general_step(c: Any, s: Any, ga: int, gb: int, gc: int, h: float) -> float:
    """Advance by at most `h` seconds, whatever the phases do; returns the time advanced."""
    turns, emf = s.angle * c.turns_per_rad, s.flux * s.speed
    ea = emf * trapezoid(turns - c.crest[0], c.steepness)
    eb = emf * trapezoid(turns - c.crest[1], c.steepness)
    ec = emf * trapezoid(turns - c.crest[2], c.steepness)
    qa, qb, qc = connect(c, s, ga, gb, gc, ea, eb, ec)
    return step(c, s, qa, qb, qc, h)


@spliced
def any_step(c: Any, s: Any, ga: int, gb: int, gc: int, h: float) -> float:
    """Advance by at most `h` seconds with these gates; returns the time advanced."""
    qa, qb, qc = path(ga, s.i[0]), path(gb, s.i[1]), path(gc, s.i[2])
    if s.closed & LEADS == LEADS:
        z = open_phase(qa, qb, qc)
        if z == NONE:
            return full_step(c, s, qa, qb, qc, h)
        outcome = quick_step(c, s, z, qa, qb, qc, h)
        if outcome == DONE:
            return h
        if z == 0:
            qa = outcome
        elif z == 1:
            qb = outcome
        elif z == 2:
            qc = outcome
        if outcome != OPEN:
            return full_step(c, s, qa, qb, qc, h)
        if z != SEVERAL:
            return step(c, s, qa, qb, qc, h)
    return general_step(c, s, ga, gb, gc, h)


@inlined
def step_length(c: Any, span: float) -> float:
    """Length of the next step, when `span` seconds are left."""
    if span <= c.longest:
        return span
    return float(c.longest if span > 2.0 * c.longest else 0.5 * span)


@compiled
def amplified_step(c: Any, s: Any, ga: int, gb: int, gc: int, h: float) -> float:
    """As `any_step`, with amplifiers that follow the currents."""
    ia, ib, ic = s.i[0], s.i[1], s.i[2]
    h = general_step(c, s, ga, gb, gc, h)
    amplify(c, s, h, ia, ib, ic)
    return h


@inlined
def one_step(c: Any, s: Any, ga: int, gb: int, gc: int, span: float) -> float:
    """Integrate some of `span` seconds during which no gate switches; returns how much."""
    if c.amplifier_rate != 0.0:
        return amplified_step(c, s, ga, gb, gc, step_length(c, span))
    return any_step(c, s, ga, gb, gc, step_length(c, span))


@inlined
def stretch(c: Any, s: Any, ga: int, gb: int, gc: int, span: float) -> None:
    """Integrate `span` seconds during which no gate switches."""
    while span > _NOTHING:
        span -= one_step(c, s, ga, gb, gc, span)


@inlined
def over_the_instant(c: Any, s: Any, ga: int, gb: int, gc: int, span: float, before: float) -> bool:
    """Try to advance by `span` seconds in one quick step, and see what is there after `before`.

    A step sees its middle; from there the straight line through its ends leads to the instant.
    """
    ia, ib, ic, link = s.i[0], s.i[1], s.i[2], s.link
    qa, qb, qc = path(ga, ia), path(gb, ib), path(gc, ic)
    z = open_phase(qa, qb, qc)
    if s.closed & LEADS != LEADS or z == NONE:
        return False
    if quick_step(c, s, z, qa, qb, qc, span) != DONE:
        return False
    aside = before - 0.5 * span
    if abs(aside) > _NOTHING:
        share = aside / span
        s.seen_i[0] += share * (s.i[0] - ia)
        s.seen_i[1] += share * (s.i[1] - ib)
        s.seen_i[2] += share * (s.i[2] - ic)
        s.seen_link += share * (s.link - link)
        s.seen_turns += aside * s.speed * c.turns_per_rad
    return True


@inlined
def catch_up(c: Any, s: Any) -> None:
    """Integrate what is left of the last period."""
    stretch(c, s, s.gate_a, s.gate_b, s.gate_c, s.lag)
    s.lag = 0.0


@spliced
def integrate(
    c: Any,
    s: Any,
    da: int,
    ta: float,
    db: int,
    tb: float,
    dc: int,
    tc: float,
    to_the_end: bool,
) -> None:
    """Integrate a period with these drives and duties of the three legs, and sample in it.

    As far as its last edge, and then ``STATE.lag`` says what is left; or `to_the_end`.
    """
    period, instant = c.period, c.sampling_instant
    a1, a2, a3, a4, ar = edges(da, ta, period, c.dead_time)
    b1, b2, b3, b4, br = edges(db, tb, period, c.dead_time)
    c1, c2, c3, c4, cr = edges(dc, tc, period, c.dead_time)
    # amplifiers follow the currents from step to step: what they show has to be sampled there
    longest = c.longest if c.amplifier_rate == 0.0 else 0.0
    now, sampled = -s.lag, False
    while now < period:
        ga, na = gate(now, a1, a2, a3, a4, ar)
        gb, nb = gate(now, b1, b2, b3, b4, br)
        gc, nc = gate(now, c1, c2, c3, c4, cr)
        if now < 0.0 and (ga != s.gate_a or gb != s.gate_b or gc != s.gate_c):
            catch_up(c, s)
            now = 0.0
            continue
        end = min(na, nb, nc, period)
        if sampled and end == period and not to_the_end:
            s.gate_a, s.gate_b, s.gate_c = ga, gb, gc
            break
        if not sampled and end >= instant:
            span, before = end - now, instant - now
            if (
                span <= longest
                and abs(before - 0.5 * span) <= _ASIDE * span
                and over_the_instant(c, s, ga, gb, gc, span, before)
            ):
                now, sampled = end, True
            else:
                passed = one_step(c, s, ga, gb, gc, before)
                sampled = before - passed < _NOTHING
                now = instant if sampled else now + passed
                if sampled:
                    look(c, s)
            if sampled:
                sample(c, s, ga, gb, gc)
        else:
            stretch(c, s, ga, gb, gc, end - now)
            now = end
    s.lag = period - now
