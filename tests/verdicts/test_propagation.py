"""Propagation by the law and by drawing: equal where the law holds, different where it does not."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from hil.core.budget import Shape
from hil.verdicts.propagation import Quantity, _errors, draw, linear

V = np.array([5.007, 4.994, 5.005, 4.990, 4.999])
AMPS = np.array([19.663, 19.639, 19.640, 19.685, 19.678]) * 1e-3
PHI = np.array([1.0456, 1.0438, 1.0468, 1.0428, 1.0433])
IMPEDANCE = {
    "resistance": (lambda v, i, phi: v / i * np.cos(phi), 127.732, 0.071),
    "reactance": (lambda v, i, phi: v / i * np.sin(phi), 219.847, 0.295),
    "impedance": (lambda v, i, phi: v / i + 0.0 * phi, 254.260, 0.236),
}


@pytest.fixture
def rng():
    return np.random.default_rng(20)


@pytest.fixture
def measured():
    """Means, their standard uncertainties and correlations (JCGM 100:2008, H.2, table H.2)."""
    rows = np.stack([V, AMPS, PHI])
    u = rows.std(axis=1, ddof=1) / math.sqrt(5.0)
    return [Quantity(m, s) for m, s in zip(rows.mean(axis=1), u, strict=True)], np.corrcoef(rows)


def test_inputs_of_the_impedance(measured):
    # JCGM 100:2008, H.2: means, u and r found; rows from memory, they reproduce all of them
    (v, i, phi), r = measured
    assert (v.value, i.value, phi.value) == pytest.approx((4.9990, 19.6610e-3, 1.04446), rel=1e-6)
    assert (v.uncertainty, i.uncertainty) == pytest.approx((0.0032094, 0.0094710e-3), rel=1e-4)
    assert phi.uncertainty == pytest.approx(0.00075206, rel=1e-4)
    assert (r[0, 1], r[0, 2], r[1, 2]) == pytest.approx((-0.35531, 0.85762, -0.64511), abs=1e-5)


@pytest.mark.parametrize("name", IMPEDANCE)
def test_impedance(measured, name):
    # JCGM 100:2008, H.2, tables H.3 and H.4 (found; u of X is 0.295 printed, 0.29558 computed)
    model, value, u = IMPEDANCE[name]
    arguments, r = measured
    found = linear(model, arguments, r)
    assert found.value == pytest.approx(value, abs=5e-4)
    assert found.uncertainty == pytest.approx(u, abs=1e-3)


@pytest.mark.parametrize("name", IMPEDANCE)
def test_drawing_the_impedance_agrees_with_the_law(measured, rng, name):
    model, value, _ = IMPEDANCE[name]
    arguments, r = measured
    law, drawn = linear(model, arguments, r), draw(model, arguments, rng, correlation=r)
    assert drawn.value == pytest.approx(value, abs=3e-3)
    assert drawn.uncertainty == pytest.approx(law.uncertainty, rel=0.01)
    assert drawn.high - drawn.low == pytest.approx(2.0 * 1.96 * law.uncertainty, rel=0.02)


def test_ignoring_the_correlation_gives_another_answer(measured):
    model, _, _ = IMPEDANCE["resistance"]
    arguments, r = measured
    assert linear(model, arguments).uncertainty > 1.5 * linear(model, arguments, r).uncertainty


def test_impedance_of_every_row():
    # JCGM 100:2008, H.2.4 (computed): means over the rows, u to three figures
    for (model, _, _), value, u in zip(
        IMPEDANCE.values(), (127.7316, 219.8469, 254.2600), (0.07127, 0.29549, 0.23625), strict=True
    ):
        each = model(V, AMPS, PHI)
        assert np.mean(each) == pytest.approx(value, abs=1e-4)
        assert np.std(each, ddof=1) / math.sqrt(5.0) == pytest.approx(u, abs=1e-5)


def end_gauge(ls, d, da, theta, alpha, dtheta):
    """Length in nm; JCGM 100:2008, H.1.2."""
    return ls + d - ls * (da * theta + alpha * dtheta)


GAUGE = [
    Quantity(50_000_623.0, 25.0, freedom=18.0),
    Quantity(215.0, math.sqrt(5.8**2 + 3.9**2 + 6.7**2), freedom=25.6),
    Quantity(0.0, 1e-6 / math.sqrt(3.0), Shape.RECTANGULAR),
    Quantity(-0.1, 0.41),
    Quantity(11.5e-6, 2e-6 / math.sqrt(3.0), Shape.RECTANGULAR),
    Quantity(0.0, 0.05 / math.sqrt(3.0), Shape.RECTANGULAR),
]


def test_end_gauge():
    # JCGM 100:2008, H.1: 50.000838 mm (found), 32 nm; parts 25, 9.7, 2.9, 16.6 nm
    found = linear(end_gauge, GAUGE)
    assert found.value == pytest.approx(50_000_838.0, abs=0.5)
    assert found.uncertainty == pytest.approx(31.6639, abs=0.02)
    assert found.parts == pytest.approx((25.0, 9.7, 2.9, 0.0, 0.0, 16.6), abs=0.06)


def test_drawing_the_end_gauge_sees_the_second_order_terms(rng):
    # H.1.7: two products of two uncertain factors, 11.89 nm and 1.74 nm: 34 nm (computed 33.87)
    plain = [Quantity(q.value, q.uncertainty, q.shape) for q in GAUGE]
    found = draw(end_gauge, plain, rng)
    assert found.uncertainty == pytest.approx(33.87, rel=0.01)
    assert found.uncertainty > 1.05 * linear(end_gauge, plain).uncertainty


def test_the_law_fails_at_the_corner_of_an_absolute_value(rng):
    at_zero = [Quantity(0.0, 1.0)]
    law = linear(np.abs, at_zero)
    drawn = draw(np.abs, at_zero, rng)
    assert law.uncertainty == 0.0  # the slope at the corner by differences either way: none
    assert drawn.value == pytest.approx(math.sqrt(2.0 / math.pi), rel=0.01)
    assert drawn.uncertainty == pytest.approx(math.sqrt(1.0 - 2.0 / math.pi), rel=0.01)
    assert drawn.low >= 0.0
    assert drawn.high == pytest.approx(1.96, rel=0.02)


def test_the_law_holds_far_from_the_corner(rng):
    far = [Quantity(-10.0, 1.0)]
    assert linear(np.abs, far).uncertainty == pytest.approx(1.0)
    assert draw(np.abs, far, rng).uncertainty == pytest.approx(1.0, rel=0.01)


def test_the_law_fails_near_a_zero_of_a_denominator(rng):
    near = [Quantity(1.0, 0.01), Quantity(0.3, 0.1)]
    law, drawn = linear(np.divide, near), draw(np.divide, near, rng)
    inside = law.value + 1.96 * law.uncertainty
    assert drawn.high > 1.3 * inside  # a long tail that the law does not know
    assert drawn.value - drawn.low < drawn.high - drawn.value  # and it lies on one side


def test_the_law_holds_far_from_a_zero(rng):
    far = [Quantity(1.0, 0.01), Quantity(3.0, 0.03)]
    law, drawn = linear(np.divide, far), draw(np.divide, far, rng)
    assert drawn.uncertainty == pytest.approx(law.uncertainty, rel=0.01)
    assert drawn.high - drawn.low == pytest.approx(2.0 * 1.96 * law.uncertainty, rel=0.02)


@pytest.mark.parametrize(
    ("shape", "half"),
    [
        (Shape.NORMAL, 1.96),
        (Shape.RECTANGULAR, 0.95 * math.sqrt(3.0)),
        # shares of a half-width: 1 - sqrt(0.05); an arc sine has no 95 % in its middle alone
        (Shape.TRIANGULAR, math.sqrt(6.0) * (1.0 - math.sqrt(0.05))),
    ],
)
def test_shapes_are_drawn_as_they_are(rng, shape, half):
    found = draw(lambda x: x, [Quantity(0.0, 1.0, shape)], rng)
    assert found.uncertainty == pytest.approx(1.0, rel=0.01)
    assert (found.high - found.low) / 2.0 == pytest.approx(half, rel=0.02)


@pytest.mark.parametrize("shape", Shape)
def test_every_shape_has_the_moments_of_its_distribution(rng, shape):
    """Excess: 0, -6/5, -3/5, -3/2 (closed forms); bounded ones stay within their half-width."""
    errors = _errors(Quantity(0.0, 2.0, shape), rng, 400_000)
    assert np.mean(errors) == pytest.approx(0.0, abs=0.02)
    assert np.std(errors) == pytest.approx(2.0, rel=0.005)
    assert np.mean(errors**4) / 2.0**4 - 3.0 == pytest.approx(shape.excess, abs=0.05)
    if shape is not Shape.NORMAL:
        half = 2.0 * shape.divisor
        assert np.max(np.abs(errors)) == pytest.approx(half, rel=0.01)
        assert np.max(np.abs(errors)) <= half


def test_few_degrees_of_freedom_widen_the_interval(rng):
    found = draw(lambda x: x, [Quantity(0.0, 1.0, freedom=5.0)], rng)
    assert (found.high - found.low) / 2.0 == pytest.approx(2.57, rel=0.02)  # table G.2


@settings(deadline=None, max_examples=25)
@given(st.lists(st.tuples(st.floats(-5, 5), st.floats(0.01, 2.0)), min_size=1, max_size=4))
def test_a_weighted_sum_is_exact_by_the_law(terms):
    weights = np.array([w for w, _ in terms])
    arguments = [Quantity(1.0, u) for _, u in terms]
    found = linear(lambda *x: weights @ np.array(x), arguments)
    exact = np.linalg.norm(weights * [u for _, u in terms])
    assert found.uncertainty == pytest.approx(exact, rel=1e-6, abs=1e-9)


def test_impossible_questions(rng, measured):
    arguments, r = measured
    with pytest.raises(ValueError, match="shape"):
        linear(IMPEDANCE["resistance"][0], arguments, r[:2])
    with pytest.raises(ValueError, match="normal"):
        draw(end_gauge, GAUGE, rng, correlation=np.eye(6))
    with pytest.raises(ValueError, match="draws"):
        draw(end_gauge, GAUGE, rng, draws=10)
    with pytest.raises(ValueError, match="not finite"):
        draw(np.log, [Quantity(0.0, 1.0)], rng)
