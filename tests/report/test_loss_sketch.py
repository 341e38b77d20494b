"""The small picture of losses over speed."""

from __future__ import annotations

import re
from collections.abc import Callable

import pytest
from lxml import etree

from hil.core.trace import Trace
from hil.measures.efficiency import OperatingPoint, operating_points
from hil.report.loss_sketch import loss_sketch
from hil.report.losses import conditions

PLATE = {"back-emf-constant": "0.05 V*s/rad", "back-emf-convention": "line-to-line-peak"}


@pytest.fixture
def make_point(make_steady: Callable[..., Trace]) -> Callable[..., OperatingPoint]:
    known = conditions(PLATE)
    assert known is not None

    def make(rpm: float, amps: float) -> OperatingPoint:
        (found,) = operating_points(make_steady(rpm, amps), known)
        return found

    return make


def _shapes(picture: str) -> list[tuple[float, float, str]]:
    found = etree.fromstring(picture).xpath("//path[@class='sk-point']/@d")
    parts = [re.fullmatch(r"M([\d.]+) ([\d.]+)(m.*z?)", d) for d in found]
    return [(float(p[1]), float(p[2]), p[3]) for p in parts if p]


def test_points_lie_where_speed_and_loss_put_them(
    make_point: Callable[..., OperatingPoint],
) -> None:
    points = [make_point(1000.0, 1.0), make_point(2000.0, 2.0), make_point(4000.0, 4.0)]
    says, picture = loss_sketch(points)
    shapes = _shapes(picture)
    assert len(shapes) == 3
    x = [shape[0] for shape in shapes]
    assert (x[1] - 48.0) / (x[2] - 48.0) == pytest.approx(0.5, abs=0.01)
    assert (x[0] - 48.0) / (x[2] - 48.0) == pytest.approx(0.25, abs=0.01)
    zero = float(etree.fromstring(picture).xpath("//text[. = '0']/@y")[1])
    heights = [zero - shape[1] for shape in shapes]
    losses = [0.6 * amps * amps for amps in (1.0, 2.0, 4.0)]
    assert heights[1] / heights[2] == pytest.approx(losses[1] / losses[2], abs=0.02)
    assert "speed 0 to 4000 rpm" in says


def test_the_load_is_told_by_shapes_and_words(make_point: Callable[..., OperatingPoint]) -> None:
    says, picture = loss_sketch([make_point(2000.0, amps) for amps in (1.0, 2.5, 4.0)])
    assert len({shape[2] for shape in _shapes(picture)}) == 3
    assert says.endswith("torque ○ up to 0.10 N*m, □ up to 0.15 N*m, △ above")


def test_equal_loads_have_one_shape(make_point: Callable[..., OperatingPoint]) -> None:
    says, picture = loss_sketch([make_point(rpm, 2.0 + rpm / 1e5) for rpm in (1e3, 2e3, 3e3)])
    assert len({shape[2] for shape in _shapes(picture)}) == 1
    assert "△" not in says


def test_everything_lies_within_the_picture(make_point: Callable[..., OperatingPoint]) -> None:
    """Also losses below zero, which the uncertainty of the nameplate allows."""
    points = [make_point(rpm, amps) for rpm, amps in ((500.0, 0.1), (4000.0, 0.4), (4000.0, 4.0))]
    says, picture = loss_sketch(points)
    drawn = etree.fromstring(picture)
    _, _, width, height = map(float, drawn.get("viewBox").split())
    for x, y, _ in _shapes(picture):
        assert 0.0 <= x <= width
        assert 0.0 <= y <= height
    for bar in drawn.xpath("//path[@class='sk-bar']/@d"):
        x, top, bottom = map(float, re.findall(r"[\d.]+", bar))
        assert 0.0 <= bottom < top <= height
    assert says == drawn.get("aria-label")
    assert says.startswith("Losses -")
