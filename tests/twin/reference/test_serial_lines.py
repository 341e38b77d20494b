from __future__ import annotations

import anycrc
import pytest
from hypothesis import HealthCheck, assume, given, settings
from hypothesis import strategies as st

CRC = anycrc.Model("CRC16-IBM-3740")
quick = settings(deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])


def line(text: str) -> bytes:
    raw = text.encode()
    return raw + b"*%04X\n" % CRC.calc(raw)


def fields(data: bytes) -> list[list[str]]:
    """Fields of whole lines, the checksum verified by the library."""
    parts = data.split(b"\n")
    assert parts.pop() == b""
    found = []
    for part in parts:
        text, _, check = part.rpartition(b"*")
        assert check == b"%04X" % CRC.calc(text)
        found.append(text.decode().split(","))
    return found


@pytest.mark.parametrize(
    ("command", "answer"),
    [
        ("id", "id,DOSING-DRIVE,1.0.0,5EED0001"),
        ("start,1500", "done,start"),
        ("start,-500", "done,start"),
        ("start,+4000", "done,start"),
        ("start,0", "done,start"),
        ("start,499", "refused,start,3"),
        ("start,4001", "refused,start,3"),
        ("speed,-4001", "refused,speed,3"),
        ("speed,2000", "done,speed"),
        ("speed", "refused,speed,3"),
        ("speed,", "refused,speed,3"),
        ("speed,12x", "refused,speed,3"),
        ("speed,1e3", "refused,speed,3"),
        ("speed,1000,2", "refused,speed,3"),
        ("speed,99999999999999999999999", "refused,speed,3"),
        ("stop", "done,stop"),
        ("stop,1", "refused,stop,3"),
        ("clear", "done,clear"),
        ("sense,1", "done,sense"),
        ("sense,0", "done,sense"),
        ("sense,2", "refused,sense,3"),
        ("stream,200", "done,stream"),
        ("stream,0", "done,stream"),
        ("stream,-1", "refused,stream,3"),
        ("stream,1001", "refused,stream,3"),
        ("Start,1000", "refused,Start,4"),
        ("starts,1000", "refused,starts,4"),
        ("star,1000", "refused,star,4"),
        ("whatever-this-is", "refused,whatever-this-is,4"),
    ],
)
@pytest.mark.parametrize("checked", [True, False])
def test_answers_byte_exact(board, command, answer, checked):
    sent = line(command) if checked else command.encode() + b"\n"
    assert board().ask(sent) == line(answer)


def test_carriage_return_is_tolerated(board):
    assert board().ask(b"id\r\n") == line("id,DOSING-DRIVE,1.0.0,5EED0001")
    assert board().ask(line("stop")[:-1] + b"\r\n") == line("done,stop")


def test_lower_case_checksum_is_tolerated(board):
    assert board().ask(line("stop").lower()) == line("done,stop")


def test_wrong_checksum_is_ignored(board):
    b = board()
    assert b.ask(b"start,1500*0000\n") == b""
    assert b.ask(b"start,1500*12G4\n") == b""
    assert int(b.state["state"]) == 0
    assert int(b.state["bad_messages"]) == 2


def test_empty_lines_are_ignored(board):
    assert board().ask(b"\n\r\n\n") == b""


def test_a_line_too_long_is_dropped_whole(board):
    b = board()
    assert b.ask(b"stop" + b" " * 100 + b"\nid\n") == line("id,DOSING-DRIVE,1.0.0,5EED0001")
    assert int(b.state["bad_messages"]) == 1


def test_identity_comes_from_the_settings(board):
    b = board(model="GREENHOUSE-PUMP", version="2.1.7", build="0BADF00D")
    assert b.ask(b"id\n") == line("id,GREENHOUSE-PUMP,2.1.7,0BADF00D")


def test_telemetry_is_off_until_asked_for(board):
    b = board()
    b.periods(2000)
    assert b.take() == b""


@pytest.mark.parametrize("rate", [1, 50, 200, 1000])
def test_telemetry_rate_and_numbering(board, rate):
    b = board()
    b.feed(b"stream,%d\n" % rate)
    b.take()
    got = b""
    for _ in range(200):  # 2 s
        b.periods(200)
        got += b.take()
    assert [int(f[1]) for f in fields(got)] == [n % 256 for n in range(2 * rate)]


def test_dropped_telemetry_shows_as_a_gap_in_the_numbers(board):
    b = board()
    b.feed(b"stream,1000\n")
    b.take()
    b.periods(2000)  # nobody fetches: 100 frames, more than the board can keep
    b.take()
    b.periods(20)
    assert [f[1] for f in fields(b.take())] == ["100"]


def test_telemetry_fields(board):
    b = board()
    b.feed(b"speed,-1234\nstream,200\n")
    b.take()
    b.inputs["time"] = 1.0
    b.inputs["v_bus"] = 23.456
    b.inputs["i_bus"] = -2.345
    b.inputs["t_stage"] = 41.26
    b.periods(200)
    (first, second) = fields(b.take())
    assert [first[i] for i in (0, 1, 3, 4, 5, 6, 7, 8, 10)] == [
        "t", "0", "0", "0", "0", "-1234", "0", "2345", "413"
    ]  # fmt: skip
    assert int(first[2]) == pytest.approx(1_000_000 + 5000 - 50, abs=1)
    assert int(second[2]) - int(first[2]) == pytest.approx(5000, abs=1)
    assert int(second[9]) == pytest.approx(23456, abs=1)


def test_peak_restarts_with_each_frame(board):
    b = board()
    b.feed(b"stream,200\n")
    b.take()
    b.inputs["i_bus"] = 4.0
    b.periods(50)
    b.inputs["i_bus"] = 1.0
    b.periods(150)
    assert [f[8] for f in fields(b.take())] == ["4000", "1000"]


def test_answers_get_through_while_telemetry_is_jammed(board):
    b = board()
    b.feed(b"stream,1000\n")
    b.periods(4000)  # nobody fetches
    b.feed(b"stop\n")
    assert fields(b.take())[-1] == ["done", "stop"]
    assert int(b.state["lost_messages"]) > 100


@pytest.mark.parametrize(
    ("seam", "value", "lost", "bad"), [("drop_every", 4, 5, 0), ("corrupt_every", 5, 0, 4)]
)
def test_seams_of_telemetry(board, seam, value, lost, bad):
    b = board(defects={seam: value})
    b.feed(b"stream,200\n")
    b.take()
    got = b""
    for _ in range(20):
        b.periods(100)
        got += b.take()
    parts = got.split(b"\n")[:-1]
    wrong = [p for p in parts if p[-4:] != b"%04X" % CRC.calc(p[:-5])]
    assert len(parts) == 20 - lost
    assert len(wrong) == bad


@quick
@given(st.binary(max_size=300))
def test_no_garbage_upsets_the_board(board, data):
    assume(b"start" not in data)
    b = board()
    b.feed(data)
    b.take()
    assert b.ask(b"\n" + line("stop")).endswith(line("done,stop"))
    assert int(b.state["state"]) == 0


@quick
@given(st.integers(-5000, 5000))
def test_every_speed_is_judged_by_its_range(board, speed):
    b = board()
    allowed = speed == 0 or 500 <= abs(speed) <= 4000
    assert b.ask(line(f"speed,{speed}")) == line("done,speed" if allowed else "refused,speed,3")
    assert float(b.state["target"]) == (speed if allowed else 0)


@quick
@given(st.lists(st.integers(1, 7), max_size=30))
def test_bytes_may_arrive_in_any_portions(board, portions):
    b = board()
    wire = line("stop") * 4
    start = 0
    b.take()
    for size in portions:
        b.feed(wire[start : start + size])
        start += size
    b.feed(wire[start:])
    assert b.take() == line("done,stop") * 4
