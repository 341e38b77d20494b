"""What a population of healthy rigs says of a plan, for the terminal."""

from __future__ import annotations

import re
import shutil
import textwrap
from collections.abc import Iterator
from typing import TYPE_CHECKING

from hil.core.count import many

if TYPE_CHECKING:
    from hil.scenarios.campaign_population import BandRate, PopulationTally, Spread

#: Bands that held, but with the least room, are listed up to this many.
TIGHTEST = 12
_WIDEST = 100
#: A space at which no line is broken.
KEPT = "\u00a0"


def told(tally: PopulationTally, items: int) -> Iterator[str]:
    """Lines of text: how many rigs failed, by which bands, and which bands are the tightest."""
    bands = tally.bands()
    yield from _wrapped(
        f"{len(tally.failed_rigs)} of {many(tally.rigs, 'healthy rig')} failed; with 95 % "
        f"confidence the plan fails at most {percent(tally.rig_fail_bound())} of them"
    )
    share = percent(tally.undecided / max(1, tally.judgements))
    yield from _wrapped(
        f"{tally.undecided} of {many(tally.judgements, 'judgement')} undecided ({share})"
    )
    for title, chosen in (
        ("failed healthy rigs", [b for b in bands if b.fails]),
        ("undecided", [b for b in bands if b.undecided and not b.fails]),
    ):
        if chosen:
            yield f"\n{title}:"
        for band in chosen:
            yield from _band(band)
            for example in band.examples:
                yield from _wrapped(example, 6)
    close = [b for b in bands if not b.fails and not b.undecided and b.room is not None]
    if close:
        yield ""
        yield from _wrapped(
            "least room, of the worst rig to the limit, in widths of the middle 90 % of all:"
        )
    for band in close[:TIGHTEST]:
        yield from _band(band)
    seconds = f"{tally.bench_seconds:.0f} s on the bench in {tally.wall_seconds:.0f} s of work"
    yield ""
    yield from _wrapped(f"{many(items, 'item')}, {seconds}")


def _band(band: BandRate) -> Iterator[str]:
    """A band and what was found, in two lines on a terminal of the usual width."""
    yield from _wrapped(f"{band.item}: {band.measure} {limits(band)}", 2)
    room = "" if band.room is None else f"room {_digits(band.room, 3)}; "
    undecided = f", {band.undecided} undecided" if band.undecided else ""
    yield from _wrapped(
        f"{room}{'' if band.spread is None else found(band.spread, band.unit)}"
        f"{band.fails} of {band.judged} failed{undecided} (at most {percent(band.fail_bound)})",
        6,
    )


def found(spread: Spread, unit: str) -> str:
    """Range and median of a measure over the rigs."""
    least, median, most = (_digits(v, 4) for v in (spread.least, spread.median, spread.most))
    return f"{least} to {most}{_unit(unit)}, median {median}; "


def limits(band: BandRate) -> str:
    """The limits of a band in words."""
    low, high = band.limits
    unit = _unit(band.unit)
    if low is not None and high is not None:
        return f"exactly {low:g}{unit}" if low == high else f"{low:g} to {high:g}{unit}"
    if low is not None:
        return f"at least {low:g}{unit}"
    return f"at most {high:g}{unit}" if high is not None else "without limits"


def percent(share: float) -> str:
    """A share of one in per cent, to two digits: ``0.52 %``, ``53 %``, ``100 %``."""
    return f"{_digits(100.0 * share, 2)} %"


def _digits(value: float, digits: int) -> str:
    """So many digits that count, never fewer whole ones, and no power of ten for those."""
    return f"{value:.0f}" if abs(value) >= 10.0 ** (digits - 1) else f"{value:.{digits}g}"


def _unit(unit: str) -> str:
    return "" if unit == "1" else f" {unit}"


def _wrapped(text: str, indent: int = 0) -> list[str]:
    width = min(shutil.get_terminal_size().columns, _WIDEST)
    margin = " " * indent
    # A number and its unit stay together.
    lines = textwrap.wrap(
        re.sub(r"(?<=\d) (?=%|(?:s|V|A|rpm|ms|deg|K|N\*m)\b)", KEPT, text),
        width,
        initial_indent=margin,
        subsequent_indent=margin,
        break_on_hyphens=False,
        break_long_words=False,
    )
    return [line.replace(KEPT, " ") for line in lines]
