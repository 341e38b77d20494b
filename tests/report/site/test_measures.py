"""The table of a measure's nights: whatever is missing or odd, each row tells its own night."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st
from lxml import html

from hil.report.numbers import fixed
from hil.report.site.measures import RunCells, measure_page
from hil.report.site.shell import page_of
from hil.report.site.views import RunLine, Strand, Trend

BENCH = Strand("pump", "bench")
NAN = float("nan")
#: A night: value, standard uncertainty, verdict.
Night = tuple[float, float, str]

nights = st.tuples(
    st.floats(-2000.0, 2000.0) | st.sampled_from([0.0, -0.0, -1e-7, 3.0, NAN]),
    st.sampled_from([0.0, NAN, 0.25, 0.26]),
    st.sampled_from(["pass", "pass", "fail", "undecided", ""]),
)


@settings(deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.lists(nights, min_size=1, max_size=12))
@example([(1.5, 0.25, "pass"), (NAN, NAN, "undecided"), (-0.001, 0.25, "pass")])
@example([(3.0, 0.0, "pass"), (4.0, NAN, "fail"), (-0.0, 0.0, "pass")])
def test_each_row_has_its_own_night(
    make_runs: Callable[..., tuple[RunLine, ...]],
    make_trend: Callable[..., Trend],
    told: list[Night],
) -> None:
    runs = tuple(replace(run, build=f"5%d-{run.build}") for run in make_runs(len(told)))
    value, uncertainty = (np.array([night[part] for night in told]) for part in (0, 1))
    verdict = tuple(night[2] for night in told)
    trend = replace(
        make_trend(BENCH, runs, "start"), value=value, uncertainty=uncertainty, verdict=verdict
    )
    page = page_of(trend.page, (), [BENCH])
    made = html.fromstring(measure_page(page, trend, RunCells.of(runs, "../"), "items/x.html"))
    rows = made.xpath('//table[@class="figures nights"]/tbody/tr')
    assert len(rows) == len(told)
    for row, run, (number, u, word) in zip(reversed(rows), runs, told, strict=True):
        night, build, figures, judged = (cell.text_content() for cell in row)
        assert (night, build, judged.strip()) == (run.night, run.build, word or "no band")
        if np.isnan(number):
            assert figures == "no value"
        elif u > 0.0:
            assert figures == f"{fixed(number, 2)} ± {fixed(2.0 * u, 2)}"
        else:
            assert "±" not in figures
            assert float(figures) == float(f"{number:.4g}") or abs(float(figures) - number) <= 0.5
            assert not figures.startswith("-0.0") or float(figures) < 0.0
