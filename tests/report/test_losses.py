"""The map of losses of a run: closed forms, and nothing where there is no map."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from lxml import html

from hil.core.trace import Trace
from hil.measures.efficiency import operating_points
from hil.report.losses import Found, LossMap, conditions, loss_facts, losses
from hil.report.page import page
from hil.report.summary import operating_facts
from hil.store.reading import read

PLATE = {"back-emf-constant": "0.05 V*s/rad", "back-emf-convention": "line-to-line-peak"}
#: Speeds in rpm and currents in A; the first two cannot be told apart.
STATES = [(1000.0, 1.0), (1001.0, 1.01), (2000.0, 1.0), (2000.0, 3.0)]


@pytest.fixture
def make_found(make_steady: Callable[..., Trace]) -> Callable[..., list[Found]]:
    def make(states: list[tuple[float, float]]) -> list[Found]:
        known = conditions(PLATE)
        assert known is not None
        return [
            Found(f"load-{n}", f"item-{n}", 1, point)
            for n, state in enumerate(states, 1)
            for point in operating_points(make_steady(*state), known)
        ]

    return make


def _section(run: Path) -> list[html.HtmlElement]:
    tree = html.document_fromstring(page(read(run)))
    return list(tree.xpath("//section[@aria-labelledby='losses']"))


@pytest.mark.parametrize(
    ("text", "convention", "constant"),
    [
        ("0.05 V*s/rad", "line-to-line-peak", 0.05),
        ("25 mV*s/rad", "phase-peak", 0.05),
        ("5 mV/rpm", "line-to-line-peak", 0.15 / np.pi),
    ],
)
def test_the_constant_is_read_from_the_nameplate(
    text: str, convention: str, constant: float
) -> None:
    known = conditions({"back-emf-constant": text, "back-emf-convention": convention})
    assert known is not None
    assert known.back_emf_constant == pytest.approx(constant)


@pytest.mark.parametrize(
    "plate",
    [
        {},
        {"pole pairs": "4"},
        {"back-emf-constant": "0.05 V*s/rad"},
        {**PLATE, "back-emf-constant": "much"},
        {**PLATE, "back-emf-convention": "own"},
    ],
)
def test_without_it_nothing_is_known(plate: dict[str, str]) -> None:
    assert conditions(plate) is None


def test_a_row_says_the_power_balance(make_found: Callable[..., list[Found]]) -> None:
    """From ke w I and R I^2: 2000 rpm, 3 A give 31.4 W out, 5.4 W lost."""
    shown = losses(make_found(STATES))
    assert isinstance(shown, LossMap)
    assert shown.points == 4
    assert [row.item for row in shown.rows] == ["load-1", "load-3", "load-4"]
    last = shown.rows[-1]
    out, lost = 0.05 * 2000.0 * np.pi / 30.0 * 3.0, 0.6 * 9.0
    for words, value in (
        (last.speed, 2000.0),
        (last.torque, 0.15),
        (last.power_in, out + lost),
        (last.power_out, out),
        (last.loss, lost),
        (last.efficiency, 100.0 * out / (out + lost)),
    ):
        number, _, uncertainty = words.partition(" ± ")
        assert float(number) == pytest.approx(value, abs=float(uncertainty or 0.1) / 10.0)
    # The nameplate alone: 10 % rectangular, k = 2.
    assert float(last.torque.partition(" ± ")[2]) == pytest.approx(0.2 * 0.15 / 3.0**0.5, rel=0.05)


def test_one_place_is_told_by_its_median_loss(make_found: Callable[..., list[Found]]) -> None:
    states = [(1000.0, amps) for amps in (2.0, 1.9, 2.1)]
    shown = losses(make_found([*states, (3000.0, 1.0), (4000.0, 1.0)]))
    assert shown is not None
    first, second, _ = shown.rows
    assert first.item == "load-1"
    assert first.others == "2: 2.17 to 2.65"
    assert second.others == "\u2013"


@pytest.mark.parametrize(
    "states", [[], STATES[:1], STATES[:3], [(1000.0, 1.0)] * 5, [*STATES[:2], (2000.0, 0.0)]]
)
def test_fewer_than_three_places_are_no_map(
    make_found: Callable[..., list[Found]], states: list[tuple[float, float]]
) -> None:
    assert losses(make_found(states)) is None


def test_the_page_shows_it_once_there_are_three(make_loaded: Callable[..., Path]) -> None:
    (section,) = _section(make_loaded(STATES))
    rows = section.xpath(".//tbody/tr")
    assert [row.xpath("string(th)").strip() for row in rows] == ["load-1", "load-3", "load-4"]
    assert [row.xpath("string(th/a/@href)") for row in rows] == ["#item-1", "#item-3", "#item-4"]
    labels = [td.get("data-label") for td in rows[0].xpath("td")]
    assert labels == section.xpath(".//thead//th/text()")[1:]
    assert "4 in all" in section.xpath("string(p)")
    assert section.xpath(".//figure/svg[@role='img']/@aria-label") == [
        section.xpath("string(.//figcaption)")
    ]
    assert section.getroottree().xpath("//dd/a[@href='#losses']")


@pytest.mark.parametrize(
    ("states", "motor"),
    [
        (STATES[:3], None),
        (STATES, {"pole pairs": "4"}),  # no torque without the constant
        ([(1000.0, 0.0), (2000.0, 0.0), (3000.0, 0.0)], None),  # no power either
    ],
)
def test_else_the_page_says_nothing_of_it(
    make_loaded: Callable[..., Path],
    states: list[tuple[float, float]],
    motor: dict[str, str] | None,
) -> None:
    run = make_loaded(states, motor)
    assert _section(run) == []
    assert "osses" not in page(read(run)).partition("<body>")[2].partition("<script>")[0]


def test_a_lost_trace_leaves_the_others(make_loaded: Callable[..., Path]) -> None:
    run = make_loaded([*STATES, (3000.0, 1.0)])
    next((run / "traces").glob("load-4*")).unlink()
    (section,) = _section(run)
    items = [row.xpath("string(th)").strip() for row in section.xpath(".//tbody/tr")]
    assert items == ["load-1", "load-3", "load-5"]
    assert [fact["item"] for fact in operating_facts(read(run))] == [
        "load-1",
        "load-2",
        "load-3",
        "load-5",
    ]


def test_the_same_points_as_data(
    make_loaded: Callable[..., Path], make_found: Callable[..., list[Found]]
) -> None:
    facts = operating_facts(read(make_loaded(STATES)))
    assert facts == loss_facts(make_found(STATES))
    assert {"item": "load-4", "repeat": 1}.items() <= facts[-1].items()
    assert facts[-1]["loss"]["value"] == pytest.approx(5.4, rel=1e-3)
    assert facts[-1]["loss"]["unit"] == "W"
    assert facts[-1]["loss"]["uncertainty"] == make_found(STATES)[-1].point.budget_loss.total
    assert set(facts[0]) == {
        *("item", "repeat", "speed", "torque", "power_in", "power_out", "loss", "efficiency")
    }


def test_without_a_constant_there_are_no_data(make_loaded: Callable[..., Path]) -> None:
    assert operating_facts(read(make_loaded(STATES, {}))) == []
