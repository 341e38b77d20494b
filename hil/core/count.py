"""Counts with their noun, as people read them."""

from __future__ import annotations


def many(count: int, what: str) -> str:
    """A count with its noun in the singular or the plural.

    Parameters
    ----------
    what : the singular; a word that ends in s is the same for many.

    Examples
    --------
    >>> many(1, "run"), many(2, "run"), many(0, "run"), many(2, "series")
    ('1 run', '2 runs', '0 runs', '2 series')
    """
    return f"{count} {what}" if count == 1 or what.endswith("s") else f"{count} {what}s"
