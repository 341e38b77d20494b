"""How a measure says that there is no value."""

from __future__ import annotations

from hil.core.measure import Outcome


class Unmeasurable(Exception):
    """There is no value, and the outcome says why; `Recipe.apply` turns it into a `Measure`.

    Parameters
    ----------
    outcome : any `Outcome` but VALUE.
    detail : one sentence for people.
    """

    def __init__(self, outcome: Outcome, detail: str) -> None:
        super().__init__(detail)
        self.outcome, self.detail = outcome, detail
