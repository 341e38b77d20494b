"""What somebody may have meant who wrote a name that there is not."""

from __future__ import annotations

import difflib
import re
from collections.abc import Iterable

#: So many names are suggested at most; more are no suggestion.
MOST = 3
#: Similarity of two names, 0 to 1, from which on one is taken for the other misspelt.
CLOSE = 0.7
#: The same where the words of a name may stand in another order.
NEARLY = 0.85
#: Characters from which on the beginning of a name, or a word of it, says something.
TELLING = 3


def alike(name: str, names: Iterable[str]) -> list[str]:
    """The names that `name` may stand for, the likeliest first; at most three, or none.

    Names that begin with it go before similar ones, and those before names that share a word:
    what is left out at the end is a commoner slip than another spelling.

    Examples
    --------
    >>> alike("trip-time", ["tripped", "trip-time-from-brake", "peak-current"])
    ['trip-time-from-brake']
    >>> alike("late-commutation", ["commutation-late", "stall-noticed-late"])
    ['commutation-late']
    >>> alike("start.cw.hal", ["start.hall.ccw", "start.hall.cw", "stall"])
    ['start.hall.cw']
    >>> alike("sped", ["speed", "supply"])
    ['speed']
    >>> alike("detection-time", ["direction-agreement", "trip-time-from-brake"])
    ['trip-time-from-brake']
    """
    known = sorted(set(names))
    words = _words(name)
    long = len(name) >= TELLING
    return (
        _few(other for other in known if long and other.startswith(name))
        or _few(other for other in known if _words(other) == words)
        or _reordered(name, known)
        or difflib.get_close_matches(name, known, n=1, cutoff=CLOSE)
        or _few(other for other in known if len(other) >= TELLING and name.startswith(other))
        or _few(
            other for other in known if any(len(word) >= TELLING for word in words & _words(other))
        )
    )


def _words(name: str) -> set[str]:
    return set(re.split("[-.]", name))


def _reordered(name: str, known: Iterable[str]) -> list[str]:
    """The name whose words, in whatever order, are nearly the same."""
    sorted_words = {" ".join(sorted(_words(other))): other for other in known}
    own = " ".join(sorted(_words(name)))
    return [
        sorted_words[found] for found in difflib.get_close_matches(own, sorted_words, 1, NEARLY)
    ]


def _few(names: Iterable[str]) -> list[str]:
    found = sorted(names, key=len)
    return found if len(found) <= MOST else []


def nearest(name: str, names: Iterable[str]) -> str:
    """``"; did you mean 'x'?"`` with the names that are `alike`, else the list of all."""
    known = sorted(set(names))
    if found := alike(name, known):
        return f"; did you mean {' or '.join(map(repr, found))}?"
    return f"; known are {', '.join(known)}" if known else ""
