from __future__ import annotations

import pytest

from hil.core.count import many


@pytest.mark.parametrize(
    ("count", "what", "said"),
    [
        (0, "run", "0 runs"),
        (1, "run", "1 run"),
        (2, "run", "2 runs"),
        (21, "healthy rig", "21 healthy rigs"),
        (1, "series", "1 series"),
        (2, "series", "2 series"),
    ],
)
def test_one_is_singular_and_all_else_is_plural(count: int, what: str, said: str) -> None:
    assert many(count, what) == said
