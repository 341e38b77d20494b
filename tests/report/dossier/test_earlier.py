"""Earlier runs of an index tell what one start differs by from the next."""

from __future__ import annotations

import json
from collections.abc import Sequence
from pathlib import Path

import pytest

from hil.core.band import Band
from hil.core.errors import StoreError
from hil.core.measure import Measure
from hil.core.verdict import Judgement, Verdict
from hil.report.dossier.earlier import scatters
from hil.report.dossier.measured import Key
from hil.store.index import open_index

TEXT = "  - {id: R-1, text: It starts., evidence: simulated-is-enough}\n"
#: Neighbours differ by 0.1: s = 0.1 / sqrt(2).
NIGHTS = (0.9, 1.0, 0.9, 1.0, 0.9, 1.0)


def speed(value: float, repeat: int = 1) -> Judgement:
    """A time to speed of \u00b1 0.02 s, at most 2 s."""
    number = Measure("time-to-speed", "s", value, 0.01)
    band = Band("time-to-speed", None, 2.0, "s")
    return Judgement(band, number, Verdict.PASS, "in band", margin=2.0 - value, repeat=repeat)


def night(lab, name: str, *values: float, **more: object) -> Path:
    judged = [speed(value, number) for number, value in enumerate(values, 1)]
    return lab.run(name, lab.item("start", *judged, marks=["R-1"]), **more)


def indexed(lab, nights: Sequence[float] = NIGHTS, **more: object) -> Path:
    """An index of a run for each value, and of what else is there."""
    for number, value in enumerate(nights):
        night(lab, f"n{number}", value, **more)
    place = lab.path / "index.db"
    with open_index(place) as index:
        index.rebuild([lab.path / "runs"])
    return place


def measured(out: Path) -> dict[str, object]:
    told = json.loads((out / "dossier.json").read_text())["measured"]["measures"]
    (one,) = [row for row in told if row["measure"] == "time-to-speed"]
    return one


def test_a_single_start_is_held_against_what_runs_differ_by(lab) -> None:
    then, near, far = (night(lab, name, v) for name, v in (("then", 1.0), ("a", 1.25), ("b", 1.6)))
    place = indexed(lab)
    _, former = lab.dossier(lab.requirements(TEXT), then)
    # coverage * sqrt(2) * hypot(0.01, 0.071): 0.25 is not beyond, 0.6 is
    said = "(measured once then, with the scatter of 7 earlier runs)"
    for after, beyond, words in ((near, False, "within its uncertainty"), (far, True, said)):
        _, out = lab.dossier(lab.requirements(TEXT), after, previous=former, index=str(place))
        one = measured(out)
        assert (one["beyond-uncertainty"], one["scatter-known"]) == (beyond, True)
        assert one["earlier-runs"]["runs"] == 7, "the six nights, and the other of the two"
        assert words in (out / "dossier.html").read_text()
    _, alone = lab.dossier(lab.requirements(TEXT), far, previous=former)
    assert measured(alone)["earlier-runs"] is None
    assert measured(alone)["beyond-uncertainty"] is None


def test_what_tells_nothing_is_not_used(lab) -> None:
    place = indexed(lab, simulated=True)
    at = Key("nightly", "start", "time-to-speed", simulated=True)
    with open_index(place) as index:
        found = scatters(index, ["pump"], ())
        assert set(found) == {at}, "nothing of the bench"
        assert found[at].deviation == pytest.approx(0.1 / 2.0**0.5)
        assert scatters(index, ["another"], ()) == {}
        assert scatters(index, ["pump"], ("n0", "n1")) == {}, "four are too few"
        night(lab, "twice", 1.0, 1.1, simulated=True)
        index.rebuild([lab.path / "runs"])
        assert scatters(index, ["pump"], ()) == {}, "it is repeated: a night is no single start"


def test_an_index_that_is_not_there_is_refused(lab) -> None:
    _, former = lab.dossier(lab.requirements(TEXT), night(lab, "then", 1.0))
    with pytest.raises(StoreError, match=r"no-index\.db"):
        lab.dossier(
            lab.requirements(TEXT), night(lab, "now", 1.0), previous=former,
            index=str(lab.path / "no-index.db"),
        )  # fmt: skip
