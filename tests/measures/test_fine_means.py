"""Moving means that do not depend on where the samples fall."""

from __future__ import annotations

import numpy as np
import pytest

from hil.measures import waveform as wf


def test_full_means_begin_and_end_with_the_waveform():
    """On a ramp the first is the value half a width after the start, wherever the samples lie."""
    for start in (0.0, 0.3, 0.7):
        t = np.union1d([start, 9.4], np.arange(1.0, 10.0))
        t = t[t <= 9.4]
        means = wf.full_means(t, 2.0 * t, 3.0)
        assert means[0] == pytest.approx(2.0 * (start + 1.5))
        assert means[-1] == pytest.approx(2.0 * (9.4 - 1.5))
        assert means[1:-1] == pytest.approx(2.0 * t[(t > start + 1.5) & (t < 9.4 - 1.5)])


@pytest.mark.parametrize("frequency", [40.0, 100.0, 130.0])
def test_fine_means_find_the_crests_that_samples_miss(frequency):
    """A sine after a moving mean of 5 ms has the amplitude sinc(f * 5 ms), sampled at 1 kHz."""
    t = 0.001 * np.arange(400)
    exact = float(np.sinc(0.005 * frequency))
    worst = {"fine": 0.0, "full": 0.0}
    for phase in np.linspace(0.0, 2.0 * np.pi, 11):
        y = np.sin(2.0 * np.pi * frequency * t + phase)
        for name, of in (("fine", wf.fine_means), ("full", wf.full_means)):
            worst[name] = max(worst[name], abs(float(np.ptp(of(t, y, 0.005))) / 2.0 - exact))
    assert worst["fine"] < 0.01 * exact
    assert worst["fine"] < 0.4 * worst["full"]


@pytest.mark.parametrize("cut", [0.0, 0.2e-3, 0.9e-3])
def test_a_window_that_cuts_an_interval_loses_nothing(cut):
    """Its ends are no samples; about a crest inside it the samples are as even as before."""
    t = np.union1d(0.001 * np.arange(400), [0.100 + cut, 0.300 - cut])
    t = t[(t >= 0.100 + cut) & (t <= 0.300 - cut)]
    exact = float(np.sinc(0.005 * 100.0))
    for phase in np.linspace(0.0, 2.0 * np.pi, 11):
        means = wf.fine_means(t, np.sin(2.0 * np.pi * 100.0 * t + phase), 0.005)
        assert float(np.max(means)) == pytest.approx(exact, rel=0.01)
    gap = np.delete(t, 100)
    y = np.sin(2.0 * np.pi * 100.0 * gap)
    assert np.array_equal(wf.fine_means(gap, y, 0.005), wf.full_means(gap, y, 0.005))


def test_fine_means_need_samples_at_even_distances():
    rng = np.random.default_rng(1)
    t = np.sort(rng.uniform(0.0, 1.0, 300))
    y = rng.normal(size=300)
    assert np.array_equal(wf.fine_means(t, y, 0.02), wf.full_means(t, y, 0.02))
    few = 0.001 * np.arange(9)
    assert np.array_equal(wf.fine_means(few, few, 0.005), wf.full_means(few, few, 0.005))
    even = 0.001 * np.arange(50)
    assert wf.fine_means(even, 3.0 * even, 0.005)[1:-1] == pytest.approx(
        3.0 * np.arange(0.003, 0.0461, 0.0005)
    )


def test_a_fine_course_keeps_a_parabola():
    """Straight lines between samples are off by h^2/12 y'' in a mean, and h^2/8 y'' in between."""
    h, bend = 0.001, 4000.0
    t = h * np.arange(60)
    at, means = wf.fine_course(t, 0.5 * bend * t**2, 0.005)
    exact = 0.5 * bend * at**2 + bend * 0.005**2 / 24.0  # mean of a parabola over the width
    # where a mean has another at both sides, and four about what lies between them
    assert np.max(np.abs(means - exact)[5:-5]) < 1e-3 * bend * h**2
    assert np.max(np.abs(np.diff(at)[2:-2] - h / 2.0)) < 1e-12
    plain = wf.full_means(t, 0.5 * bend * t**2, 0.005)
    inner = t[(t > 0.0025) & (t < t[-1] - 0.0025)]
    off = plain[1:-1] - (0.5 * bend * inner**2 + bend * 0.005**2 / 24.0)
    assert off == pytest.approx(bend * h**2 / 12.0, rel=1e-6)
