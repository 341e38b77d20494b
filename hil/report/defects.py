"""The matrix of seeded defects as text: for a terminal, and as Markdown for people."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Any

#: One row a defect, as `hil.cli.defects` makes it; see `row_keys`.
Row = Mapping[str, Any]

_COLUMNS = ("defect", "caught by", "what failed", "margin", "caught", "run", "time")


def cells(row: Row) -> tuple[str, ...]:
    """The row of a table, one text a column of `_COLUMNS`."""
    return (
        row["defect"],
        row["item"] or "NOBODY",
        row["measure"] or ("manoeuvre" if row["item"] else "-"),
        row["margin_text"],
        str(row["caught_by_items"]),
        str(row["items_run"]),
        f"{row['seconds']:.1f} s",
    )


def text_table(rows: Iterable[Row]) -> list[str]:
    """Lines with aligned columns, heading first."""
    body = [cells(row) for row in rows]
    widths = [max(len(column[n]) for column in (_COLUMNS, *body)) for n in range(len(_COLUMNS))]
    return [
        "  ".join(text.ljust(width) for text, width in zip(line, widths, strict=True)).rstrip()
        for line in (_COLUMNS, *body)
    ]


def markdown(rows: Sequence[Row], title: str, facts: Sequence[str]) -> str:
    """A page: facts, then the table with the consequence of each defect, escaped ones on top."""
    lines = [f"# {title}", "", *(f"- {fact}" for fact in facts), ""]
    heads = ("defect", "what can be seen", "how it is seeded", "caught by", "what failed", "margin")
    lines += ["| " + " | ".join(heads) + " |", "|" + "---|" * len(heads)]
    for row in rows:
        _, item, what, margin, *_ = cells(row)
        chance = row["chance_text"]
        said = row["consequence"] + (f" {chance}" if chance else "")
        parts = (f"`{row['defect']}`", said, f"`{row['seeds']}`", item, what, margin)
        lines.append("| " + " | ".join(part.replace("|", "\\|") for part in parts) + " |")
    return "\n".join(lines) + "\n"
