"""Text in cells: never a formula, never lost."""

from __future__ import annotations

import csv
import io

import pandas as pd
import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from hil.store.cells import read, written

#: Whatever text may hold, and often what a spreadsheet computes.
TEXTS = st.one_of(
    st.text(max_size=8),
    st.builds(
        "".join,
        st.tuples(
            st.sampled_from(["", "'", "''"]), st.sampled_from("=+-@\t'x"), st.text(max_size=4)
        ),
    ),
)


def spelt_out(text: str) -> str:
    text = text.replace("\r", "\\r").replace("\0", "\\x00")
    return text.encode("utf-8", "backslashreplace").decode()


@given(st.lists(TEXTS, min_size=1, max_size=5))
@example(["=1+1", "'=1+1", "'", "-0.5", "+", "@x", "\t=1", "''-"])
def test_every_reader_gets_the_text_back_and_no_spreadsheet_a_formula(texts: list[str]) -> None:
    file = io.StringIO()
    writer = csv.writer(file, lineterminator="\n")
    writer.writerow(("text", "end"))
    writer.writerows((written(text), "x") for text in texts)
    content = file.getvalue()
    expected = [spelt_out(text) for text in texts]
    rows = list(csv.reader(io.StringIO(content, newline="")))[1:]
    assert not any(row[0].startswith(("=", "+", "-", "@", "\t")) for row in rows)
    assert [read(row[0]) for row in rows] == expected
    frame = pd.read_csv(io.BytesIO(content.encode()), dtype=str, keep_default_na=False)
    assert frame["text"].map(read).tolist() == expected


@pytest.mark.parametrize("text", ["", "start.hall.cw", "5 V", "a=b", "it's", "' quoted '", "%"])
def test_what_is_no_formula_stays_as_it_is(text: str) -> None:
    assert written(text) == text == read(text)
