"""Text from files as Markdown that says just that text: no table breaks, nothing becomes HTML."""

from __future__ import annotations

import re
from collections.abc import Iterable
from urllib.parse import quote

from hil.report.markup import visible
from hil.report.numbers import NOTHING

#: What could end a cell, a code span or an escape, or begin HTML. Character references cannot take
#: the place of a sign that means structure (CommonMark 0.31, 2.5).
_STRUCTURE = {"&": "&amp;", "<": "&lt;", ">": "&gt;", "|": "&#124;", "\\": "&#92;", "`": "&#96;"}
#: What could begin emphasis, a link, a heading or mathematics; the backslash is easier to read.
_DECORATION = re.compile(r"[*_~\[\]#$!]")
_CUT = "\u2026"
#: Signs of an address that keep their meaning; all else is written as %XX.
_RESERVED = ":/?#@!$&'*+,;=%-._~"


def escaped(text: str, longest: int = 0) -> str:
    """`text` on one line, cut to `longest` characters (0: whole), a dash for nothing.

    It says the same wherever text may stand in a line, not at the begin of one: "1." there would
    begin a list.
    """
    line = str(visible(" ".join(text.split())))
    if longest and len(line) > longest:
        line = line[: longest - 1] + _CUT
    marked = "".join(_STRUCTURE.get(sign, sign) for sign in line)
    # '#' is also a part of the references made before.
    return _DECORATION.sub(_backslash, marked) or NOTHING


def _backslash(found: re.Match[str]) -> str:
    in_reference = found.group() == "#" and found.string[found.start() - 1 : found.start()] == "&"
    return found.group() if in_reference else f"\\{found.group()}"


def link(words: str, address: str) -> str:
    """A link; an address that is none of the web is told as text."""
    if not re.match(r"https?://", address):
        return f"{escaped(words)}: {escaped(address)}"
    return f"[{escaped(words)}](<{quote(address, safe=_RESERVED, errors='replace')}>)"


def row(cells: Iterable[str]) -> str:
    """One row of a table, of cells that are escaped already."""
    return f"| {' | '.join(cells)} |\n"


def table_head(labels: Iterable[str]) -> str:
    """The first two rows of a table."""
    names = list(labels)
    return row(names) + row("---" for _ in names)
