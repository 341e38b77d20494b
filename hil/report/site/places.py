"""Where pages stand in the site: file names that are legal everywhere and never collide."""

from __future__ import annotations

import hashlib
import re

from hil.report.site.views import Strand

_UNSAFE = re.compile(r"[^a-z0-9._-]+")
_LONGEST = 90
_DIGITS = 8


def measure_place(strand: Strand, plan: str, item: str, measure: str, unit: str) -> str:
    """Page of one measure of one item."""
    return f"measures/{_name(f'{item}.{measure}', strand, plan, item, measure, unit)}.html"


def item_place(strand: Strand, plan: str, item: str) -> str:
    """Page of one item."""
    return f"items/{_name(item, strand, plan, item)}.html"


def run_place(run: str) -> str:
    """Page of one run."""
    return f"runs/{safe(run)}.html"


def trace_place(run: str, item: str, repeat: int) -> str:
    """Traces of one repetition, as the comparison loads them."""
    return f"traces/{safe(run)}/{safe(item)}.{repeat}.js"


def report_place(run: str) -> str:
    """A copy of a run's own report."""
    return f"reports/{safe(run)}.html"


def safe(name: str) -> str:
    """`name` if it may stand in a file name as it is, else something like it with a fingerprint."""
    plain = _plain(name)
    return plain if plain == name else f"{plain}-{_print(name)}"


def _name(readable: str, strand: Strand, *more: str) -> str:
    """Readable, and distinct for every strand and key."""
    return f"{_plain(readable)}-{_print(strand.rig, strand.evidence, *more)}"


def _plain(name: str) -> str:
    return _UNSAFE.sub("-", name.lower()).strip("-.")[:_LONGEST] or "x"


def _print(*parts: str) -> str:
    text = "\0".join(parts).encode("utf-8", "surrogatepass")
    return hashlib.sha256(text).hexdigest()[:_DIGITS]
