"""The terminal's words for a population: complete, without a legend, and no wider than it is."""

from __future__ import annotations

import re
from dataclasses import replace
from types import SimpleNamespace
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from hil.cli.population_told import TIGHTEST, found, limits, percent, told
from hil.scenarios.campaign_population import BandRate, Spread

SPREAD = Spread(count=4, least=0.4591, low=0.4605, median=0.4738, high=0.4881, most=0.4896)
BAND = BandRate(
    item="reversal.back-emf.ccw.24v.2000rpm", measure="time-to-reverse-speed", unit="s",
    judged=4, fails=0, undecided=0, fail_bound=0.527, spread=SPREAD, limits=(None, 2.0),
    margin=1.5104, room=54.81, examples=(),
)  # fmt: skip


def tally(*bands: BandRate, **more: Any) -> Any:
    facts = {"failed_rigs": {}, "rigs": 4, "judgements": 124, "undecided": 0,
             "bench_seconds": 64.0, "wall_seconds": 1.0} | more  # fmt: skip
    return SimpleNamespace(bands=lambda: list(bands), rig_fail_bound=lambda: 0.527, **facts)


def test_a_band_is_told_with_its_limits_what_was_found_and_how_sure_that_is() -> None:
    said = "\n".join(told(tally(BAND), 6))
    assert "0 of 4 healthy rigs failed" in said
    assert "  reversal.back-emf.ccw.24v.2000rpm: time-to-reverse-speed at most 2 s\n" in said
    assert (
        "      room 54.8; 0.4591 to 0.4896 s, median 0.4738; 0 of 4 failed (at most 53 %)\n" in said
    )
    assert said.endswith("6 items, 64 s on the bench in 1 s of work")


def test_what_failed_and_what_was_undecided_stand_apart_with_examples() -> None:
    failed = replace(BAND, fails=1, undecided=2, examples=("rig 3: too slow",), room=None)
    open_ = replace(BAND, item="stall", undecided=1, spread=None, room=None)
    said = "\n".join(told(tally(failed, open_, failed_rigs={"rig 3": ["x"]}), 1))
    assert said.startswith("1 of 4 healthy rigs failed")
    blame, doubt = said.index("failed healthy rigs:"), said.index("\nundecided:")
    assert blame < said.index("1 of 4 failed, 2 undecided") < said.index("rig 3: too slow") < doubt
    assert doubt < said.index("0 of 4 failed, 1 undecided (at most 53 %)")
    assert "least room" not in said


@pytest.mark.parametrize("width", [40, 60, 80, 200])
def test_lines_fit_the_terminal(monkeypatch: pytest.MonkeyPatch, width: int) -> None:
    monkeypatch.setenv("COLUMNS", str(width))
    lines = "\n".join(told(tally(*[BAND] * 20), 6)).splitlines()
    longest = len("  reversal.back-emf.ccw.24v.2000rpm:")
    assert max(map(len, lines)) <= max(longest, min(width, 100))
    assert sum(line.startswith("      room") for line in lines) == TIGHTEST
    assert not any(line.strip().startswith("%") for line in lines)


@pytest.mark.parametrize(
    ("low", "high", "unit", "text"),
    [
        (None, 2.0, "s", "at most 2 s"),
        (97.0, None, "%", "at least 97 %"),
        (-2.0, 2.0, "%", "-2 to 2 %"),
        (1.0, 1.0, "1", "exactly 1"),
        (None, None, "1", "without limits"),
    ],
)
def test_limits(low: float | None, high: float | None, unit: str, text: str) -> None:
    assert limits(replace(BAND, limits=(low, high), unit=unit)) == text


@pytest.mark.parametrize(
    ("share", "text"),
    [(1.0, "100 %"), (0.999, "100 %"), (0.527, "53 %"), (0.0052, "0.52 %"), (0.0, "0 %")],
)
def test_shares(share: float, text: str) -> None:
    assert percent(share) == text


def test_a_count_has_no_unit() -> None:
    counts = Spread(count=3, least=0.0, low=0.0, median=1.0, high=12345.0, most=12345.0)
    assert found(counts, "1") == "0 to 12345, median 1; "


@given(st.floats(0.0, 1.0))
def test_no_share_is_written_with_a_power_of_ten_unless_it_is_tiny(share: float) -> None:
    text = percent(share)
    assert re.fullmatch(r"[0-9.]+(e-[0-9]+)? %", text)
    assert float(text.split()[0]) == pytest.approx(100.0 * share, rel=0.06)
