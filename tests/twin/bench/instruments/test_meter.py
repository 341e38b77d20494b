"""Misreading within the data sheet."""

from __future__ import annotations

import numpy as np
import pytest

from hil.core.trace import Accuracy
from hil.twin.instruments.meter import Meter, quantise


def test_errors_stay_within_the_data_sheet_and_use_it() -> None:
    accuracy = Accuracy(relative=0.01, absolute=0.02)
    rng = np.random.default_rng(7)
    true = 24.0
    limit = 0.01 * true + 0.02
    errors = np.array([Meter(accuracy, rng).read(true) - true for _ in range(2000)])
    assert np.abs(errors).max() <= limit
    assert np.abs(errors).max() > 0.8 * limit
    # two independent rectangular parts: variance (a^2 + b^2)/3 (JCGM 100:2008, 4.3.7)
    assert errors.std() == pytest.approx(np.hypot(0.24, 0.02) / np.sqrt(3), rel=0.06)
    assert abs(errors.mean()) < 0.02


def test_one_meter_always_reads_the_same() -> None:
    meter = Meter(Accuracy(0.01, 0.1, 0.001), np.random.default_rng(3))
    again = Meter(Accuracy(0.01, 0.1, 0.001), np.random.default_rng(3))
    assert [meter.read(v) for v in (1.0, 2.0, 1.0)] == [again.read(v) for v in (1.0, 2.0, 1.0)]


def test_resolution() -> None:
    meter = Meter(Accuracy(resolution=0.05), np.random.default_rng(0))
    assert meter.read(1.0333) == pytest.approx(1.05)
    assert meter.read(1.02) == pytest.approx(1.0)
    assert quantise(1.2345, 0.0) == 1.2345
    assert quantise(-1.26, 0.5) == -1.5
