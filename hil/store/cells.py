"""Text in cells of the tables that people open: CSV that no spreadsheet takes for a formula.

A spreadsheet computes what begins with ``=``, ``+``, ``-`` or ``@``, in text from a device, too:
such text gets an apostrophe in front, as one types it there to enter text (common practice, no
source). Numbers are no text and stay as they are. `written` and `read` undo each other.
"""

from __future__ import annotations

import re

#: Of the columns of `measures.csv` and of traces as CSV; one more when a column changes its
#: meaning or goes. Stands in every row of a table, or in the table of all traces.
FORMAT = 1

_TAKEN = re.compile("'*[=+\\-@\t]")
_ESCAPED = re.compile("'+[=+\\-@\t]")


def written(text: str) -> str:
    """A text as it stands in a cell, UTF-8 and whole for every reader of CSV.

    A lone surrogate, a zero and a carriage return, which ends a line for readers and which the
    writer does not put into quotes, are spelt out.
    """
    text = text.replace("\r", "\\r").replace("\0", "\\x00")
    text = text.encode("utf-8", "backslashreplace").decode()
    return f"'{text}" if _TAKEN.match(text) else text


def read(cell: str) -> str:
    """The text that `written` put into a cell, what it spelt out still spelt out."""
    return cell[1:] if _ESCAPED.match(cell) else cell
