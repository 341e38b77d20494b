"""Losses over speed as a small static picture; the load is told by the shape of a point."""

from __future__ import annotations

from collections.abc import Sequence

from markupsafe import Markup

from hil.measures.efficiency import OperatingPoint
from hil.report.numbers import plain
from hil.verdicts.uncertainty import coverage

_WIDTH, _HEIGHT, _LEFT, _RIGHT, _TOP, _BOTTOM = 420, 200, 48, 40, 14, 176
#: Shapes of the lower, middle and upper third of the load: as a word's sign, and as a path.
_SHAPES = (
    ("\u25cb", "m-4 0a4 4 0 1 0 8 0a4 4 0 1 0-8 0"),  # circle
    ("\u25a1", "m-4-4h8v8h-8z"),  # square
    ("\u25b3", "m0-5l5 9h-10z"),  # triangle
)


def loss_sketch(points: Sequence[OperatingPoint]) -> tuple[str, Markup]:
    """What the picture shows in one sentence, and the picture as an SVG element.

    Bars are ± the expanded uncertainty (95 %). At least one point; all turn.
    """
    bars = [coverage(p.budget_loss.freedom) * p.budget_loss.total for p in points]
    fastest = max(p.speed for p in points)
    low = min([0.0, *(p.loss - bar for p, bar in zip(points, bars, strict=True))])
    high = max([0.0, *(p.loss + bar for p, bar in zip(points, bars, strict=True))])
    edges, load = _thirds(points)

    def across(speed: float) -> str:
        return f"{_LEFT + (_WIDTH - _LEFT - _RIGHT) * speed / fastest:.1f}"

    def up(loss: float) -> str:
        return f"{_BOTTOM - (_BOTTOM - _TOP) * (loss - low) / (high - low):.1f}"

    axes = Markup('<path class="sk-axis" d="M{0} {1}V{2}M{0} {3}H{4}"/>')
    parts = [axes.format(_LEFT, _TOP, _BOTTOM, up(0.0), _WIDTH)]
    below, beside = f"{_HEIGHT - 8}", f"{_LEFT - 22}"
    for x, y, words in (
        (across(0.0), below, "0"),
        (across(fastest), below, f"{plain(fastest, 3)} rpm"),
        (beside, up(0.0), "0"),
        (beside, up(high), f"{plain(high, 2)} W"),
    ):
        parts.append(Markup('<text class="sk-end" x="{}" y="{}">{}</text>').format(x, y, words))
    for point, bar in zip(points, bars, strict=True):
        x, y = across(point.speed), up(point.loss)
        shape = _SHAPES[sum(point.torque > edge for edge in edges)][1]
        ends = (x, up(point.loss - bar), up(point.loss + bar))
        parts.append(Markup('<path class="sk-bar" d="M{} {}V{}"/>').format(*ends))
        parts.append(Markup('<path class="sk-point" d="M{} {}{}"/>').format(x, y, shape))
    says = f"Losses {plain(low, 2)} to {plain(high, 2)} W over speed 0 to {plain(fastest, 3)} rpm"
    says += f", bars for their uncertainty; torque {load}"
    picture = Markup('<svg viewBox="0 0 {} {}" role="img" aria-label="{}">{}</svg>')
    return says, picture.format(_WIDTH, _HEIGHT, says, Markup("").join(parts))


def _thirds(points: Sequence[OperatingPoint]) -> tuple[tuple[float, ...], str]:
    """The torques that part the shapes, and what the shapes mean.

    One shape for torques that cannot be told apart: within twice their standard uncertainty.
    """
    least, most = (find(points, key=lambda p: p.torque) for find in (min, max))
    span = most.torque - least.torque
    circle, square, triangle = (sign for sign, _ in _SHAPES)
    if span <= 2.0 * max(least.budget_torque.total, most.budget_torque.total):
        return (), f"{circle} {plain(least.torque, 2)} to {plain(most.torque, 2)} N*m"
    one, two = (least.torque + share * span for share in (1.0 / 3.0, 2.0 / 3.0))
    words = f"{circle} up to {plain(one, 2)} N*m, {square} up to {plain(two, 2)} N*m, "
    return (one, two), f"{words}{triangle} above"
