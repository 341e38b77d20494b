from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from hil.core.errors import StoreError
from hil.store.rawlog import RawLog, RawPiece, read_raw_log

pieces = st.lists(
    st.builds(
        RawPiece,
        st.integers(0, 10**12).map(lambda microseconds: microseconds / 1e6),
        st.booleans(),
        st.binary(min_size=1, max_size=20),
    ),
    max_size=10,
)


@given(wanted=pieces)
def test_what_was_written_comes_back(
    wanted: list[RawPiece], tmp_path_factory: pytest.TempPathFactory
) -> None:
    path = tmp_path_factory.getbasetemp() / "any.log"
    path.unlink(missing_ok=True)
    with RawLog(path) as log:
        for piece in wanted:
            (log.sent if piece.to_board else log.received)(piece.t, piece.data)
    assert list(read_raw_log(path)) == wanted


def test_each_piece_reaches_the_file_at_once(tmp_path: Path) -> None:
    log = RawLog(tmp_path / "a.log")
    log.sent(1.5, b"\x00\xff")
    assert (tmp_path / "a.log").read_text().endswith("1.500000 > 00 ff\n")
    log.close()
    log.close()


def test_nothing_is_written_after_closing_and_for_no_bytes(tmp_path: Path) -> None:
    log = RawLog(tmp_path / "a.log")
    log.received(1.0, b"")
    log.close()
    log.received(2.0, b"x")
    assert list(read_raw_log(log.path)) == []


def test_the_size_is_limited_and_the_cut_is_said(tmp_path: Path) -> None:
    with RawLog(tmp_path / "a.log", largest=1000) as log:
        for n in range(1000):
            log.received(n / 100, b"0123456789")
    assert log.path.stat().st_size < 1200
    assert log.path.read_text().count("# cut here") == 1
    assert log.path.read_text().endswith("limit\n")
    assert len(list(read_raw_log(log.path))) > 10


def test_an_unfinished_last_line_is_left_out(tmp_path: Path) -> None:
    path = tmp_path / "a.log"
    path.write_text("1.0 > 01 02\n2.0 < 0")
    assert list(read_raw_log(path)) == [RawPiece(1.0, True, b"\x01\x02")]


@pytest.mark.parametrize("line", ["x > 01", "1.0 ? 01", "1.0 > 0g", "1.0"])
def test_a_damaged_line_is_a_store_error_with_its_place(tmp_path: Path, line: str) -> None:
    path = tmp_path / "a.log"
    path.write_text(f"1.0 > 01\n{line}\n2.0 > 02\n")
    with pytest.raises(StoreError, match=r"a\.log:2: not a line of a raw log"):
        list(read_raw_log(path))


def test_an_existing_log_is_never_overwritten(tmp_path: Path) -> None:
    RawLog(tmp_path / "a.log").close()
    with pytest.raises(StoreError, match="cannot be created"):
        RawLog(tmp_path / "a.log")


def test_a_missing_log_is_a_store_error(tmp_path: Path) -> None:
    with pytest.raises(StoreError, match="cannot be read"):
        list(read_raw_log(tmp_path / "a.log"))
