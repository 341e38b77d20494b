"""Waveforms of two simulations over each other, as a picture."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np

WIDTH, HEIGHT, LEFT, TOP, GAP = 760, 150, 70, 30, 40


class Panel(NamedTuple):
    """One quantity: what to take, what to write beside it, and the factor to its unit."""

    column: str
    label: str
    factor: float


PANELS = (
    Panel("speed", "speed, rpm", 30 / np.pi),
    Panel("ia", "current A, A", 1.0),
    Panel("link", "DC link, V", 1.0),
)


def draw(path: Path, curves: Sequence[tuple[str, str, str, Any]], title: str) -> None:
    """Write an SVG. `curves`: name, colour, dash pattern ("" for none), waveform."""
    height = TOP + len(PANELS) * (HEIGHT + GAP)
    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{LEFT + WIDTH + 20}" '
        f'height="{height}" font-family="sans-serif" font-size="12">',
        '<rect width="100%" height="100%" fill="white"/>',
        f'<text x="{LEFT}" y="18">{title}: '
        + ", ".join(f'<tspan fill="{colour}">{name}</tspan>' for name, colour, _, _ in curves)
        + "</text>",
    ]
    for row, panel in enumerate(PANELS):
        parts += _panel(panel, curves, TOP + row * (HEIGHT + GAP))
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text("\n".join([*parts, "</svg>"]) + "\n", encoding="utf-8")


def _panel(panel: Panel, curves: Sequence[tuple[str, str, str, Any]], top: int) -> list[str]:
    data = [one.values[panel.column] * panel.factor for _, _, _, one in curves]
    low, high = min(y.min() for y in data), max(y.max() for y in data)
    margin = 0.05 * (high - low or 1.0)
    low, high = low - margin, high + margin
    end = max(one.time[-1] for _, _, _, one in curves)
    bottom = top + HEIGHT
    parts = [
        f'<rect x="{LEFT}" y="{top}" width="{WIDTH}" height="{HEIGHT}" fill="none" stroke="#888"/>',
        f'<text x="{LEFT + WIDTH - 4}" y="{top + 14}" text-anchor="end">{panel.label}</text>',
        f'<text x="{LEFT - 6}" y="{top + 10}" text-anchor="end">{high:.4g}</text>',
        f'<text x="{LEFT - 6}" y="{bottom}" text-anchor="end">{low:.4g}</text>',
        f'<text x="{LEFT}" y="{bottom + 14}">0</text>',
        f'<text x="{LEFT + WIDTH}" y="{bottom + 14}" text-anchor="end">{end * 1e3:.3g} ms</text>',
    ]
    for (_, colour, dash, one), y in zip(curves, data, strict=True):
        stride = max(1, len(y) // WIDTH)  # a point a pixel is enough
        points = " ".join(
            f"{LEFT + t / end * WIDTH:.1f},{bottom - (v - low) / (high - low) * HEIGHT:.1f}"
            for t, v in zip(one.time[::stride], y[::stride], strict=True)
        )
        parts.append(
            f'<polyline points="{points}" fill="none" stroke="{colour}" '
            f'stroke-width="1.2" stroke-dasharray="{dash}"/>'
        )
    return parts
