"""Asking a person: the bench stays watched, the time is bounded, and the answer counts."""

from itertools import pairwise
from types import SimpleNamespace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from hil.bench.attended import Asked, ask, hold, let_go, require_operator
from hil.bench.limits import LimitExceeded
from hil.bench.operator import CAUTIONS, Answer, Nobody, NotAttended, OperatorStop, Request
from hil.core.drive import DriveState
from hil.core.errors import BenchError

Kit = SimpleNamespace


class Person:
    """Answers `after` s with `word`; None for never."""

    def __init__(self, kit: Kit, word: Answer | None, after: float = 1.0) -> None:
        self.clock, self.word, self.after = kit.clock, word, after
        self.asked: list[Request] = []
        self.came_to: list[str] = []
        self.looked = 0
        self._since = 0.0

    def absent(self) -> str:
        return ""

    def ask(self, request: Request) -> None:
        self.asked.append(request)
        self._since = self.clock.now()

    def answer(self) -> Answer | None:
        self.looked += 1
        return self.word if self.clock.now() - self._since >= self.after else None

    def over(self, came_to: str) -> None:
        self.came_to.append(came_to)


def running(kit: Kit, person: object) -> list[str]:
    kit.bench.operator = person
    kit.bench.begin_trace()
    kit.bench.board.stream(True)
    kit.bench.energise(24.0)
    return []


def test_the_answer_ends_the_wait_and_stands_in_the_log(kit: Kit) -> None:
    person = Person(kit, Answer.DONE)
    said = running(kit, person)
    begun = kit.clock.now()
    asked = ask(kit.bench, hold(0.3), said.append)
    assert asked.begun == pytest.approx(begun)
    assert 1.0 <= asked.ended - begun <= 1.05
    assert said == [
        "operator asked: Hold the shaft with a tool, as firmly as 0.3 N*m, until told to let go "
        "(60 s to answer)",
        "operator: answered done after 1.0 s",
    ]
    assert person.asked == [Request(hold(0.3).text, 0.3, 60.0)]
    assert person.came_to == ["answered done after 1.0 s"]


def test_everything_is_read_while_a_person_thinks(kit: Kit) -> None:
    person = Person(kit, Answer.DONE, after=2.0)
    said = running(kit, person)
    kit.bench.begin_trace()
    ask(kit.bench, let_go(), said.append)
    assert person.looked >= 100
    assert len(kit.bench.trace().channels["reported.speed"]) >= 390  # 200 Hz


def test_abort_limits_hold_while_a_person_thinks(kit: Kit) -> None:
    person = Person(kit, Answer.DONE, after=30.0)
    said = running(kit, person)
    kit.bench.watch.expect(None)
    kit.clock.at(1.0, lambda: kit.board.report.update({"reported.current": 99.0}))
    with pytest.raises(LimitExceeded):
        ask(kit.bench, hold(0.3), said.append)
    assert person.came_to == ["ended by trouble on the bench"]


def test_an_interruption_is_no_trouble_on_the_bench(kit: Kit) -> None:
    def interrupt() -> None:
        raise KeyboardInterrupt

    person = Person(kit, Answer.DONE, after=30.0)
    said = running(kit, person)
    kit.clock.at(1.0, interrupt)
    with pytest.raises(KeyboardInterrupt):
        ask(kit.bench, hold(0.3), said.append)
    assert person.came_to == ["interrupted"]
    assert said[-1] == "operator: interrupted"


def test_the_guard_hears_that_the_run_goes_on(kit: Kit) -> None:
    beats: list[float] = []
    said = running(kit, Person(kit, Answer.DONE, after=3.0))
    kit.bench.keeper.look = lambda: beats.append(kit.clock.now())
    ask(kit.bench, hold(0.3), said.append)
    gaps = [b - a for a, b in pairwise(beats)]
    assert len(beats) > 100
    assert max(gaps) < 0.1


@pytest.mark.parametrize(
    ("word", "error", "words"),
    [
        (Answer.CANNOT, NotAttended, "the operator cannot"),
        (Answer.STOP, OperatorStop, "immediate stop"),
        (None, NotAttended, "nobody answered within 5 s"),
    ],
)
def test_every_other_end_is_told(
    kit: Kit, word: Answer | None, error: type[BenchError], words: str
) -> None:
    kit.bench = kit.make(answer_within=5.0)
    person = Person(kit, word)
    said = running(kit, person)
    before = kit.clock.now()
    with pytest.raises(error, match=words):
        ask(kit.bench, hold(0.3), said.append)
    assert kit.clock.now() - before <= 5.1
    assert len(person.came_to) == 1
    assert said[-1].startswith("operator: ")


def test_a_drive_that_trips_was_braked_before(kit: Kit) -> None:
    said = running(kit, Person(kit, Answer.DONE, after=4.0))
    begun = kit.clock.now()
    kit.clock.at(1.0, lambda: setattr(kit.board, "state", DriveState.FAULT))
    asked = ask(kit.bench, hold(0.3), said.append)
    assert asked.ended - begun == pytest.approx(1.0, abs=0.05)
    assert kit.clock.now() - begun >= 4.0


def test_a_fault_from_before_says_nothing_of_the_answer(kit: Kit) -> None:
    said = running(kit, Person(kit, Answer.DONE, after=2.0))
    kit.board.state = DriveState.FAULT
    kit.bench.wait(0.1)
    begun = kit.clock.now()
    assert ask(kit.bench, let_go(), said.append).ended - begun >= 2.0


def test_without_anybody_nothing_is_asked(kit: Kit) -> None:
    with pytest.raises(NotAttended, match=r"no brake is wired.* unattended \(--hil-attended=off"):
        require_operator(kit.bench)
    kit.bench.operator = Nobody("nobody is there")
    with pytest.raises(NotAttended, match="nobody is there"):
        ask(kit.bench, hold(0.3), list[str]().append)
    with pytest.raises(NotAttended, match="nobody is there"):
        Nobody("nobody is there").ask(hold(0.3))


@given(st.floats(0.0, 1e4), st.floats(0.0, 600.0))
def test_the_instant_lies_within_the_span(begun: float, span: float) -> None:
    asked = Asked(begun, begun + span)
    assert asked.begun <= asked.middle <= asked.ended
    assert asked.uncertainty == pytest.approx(span / 12.0**0.5)


def test_the_cautions_name_what_hurts() -> None:
    text = " ".join(CAUTIONS).lower()
    for word in ("guarded", "never a hand", "hot", "dc link", "emergency stop", "local codes"):
        assert word in text
    assert all(len(line) <= 76 for line in CAUTIONS)
