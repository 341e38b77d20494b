"""What earlier runs measured, gathered by item and measure."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field

from hil.core.measure import Measure, Outcome
from hil.core.record import ItemResult
from hil.core.verdict import Verdict

Key = tuple[str, str]  # item, measure


@dataclass(frozen=True, slots=True)
class Found:
    """One measure of one run; `verdict` is that of its item at the time."""

    run: str
    measure: Measure
    verdict: Verdict


@dataclass(slots=True)
class Baseline:
    """All that the runs say about one measure of one item, in the order of the runs.

    A value is never left out for being odd; `Found.verdict` tells of items that failed.
    """

    item: str
    measure: str
    unit: str
    found: list[Found] = field(default_factory=list)

    @property
    def values(self) -> list[float]:
        """The values that there are."""
        return [one.measure.value for one in self.found if one.measure.value is not None]

    @property
    def runs(self) -> tuple[str, ...]:
        """Runs that gave a value."""
        return tuple(dict.fromkeys(o.run for o in self.found if o.measure.value is not None))

    @property
    def applies(self) -> bool:
        """False if every result said that the measure has no meaning for this item."""
        said = [one.measure.outcome is not Outcome.NOT_APPLICABLE for one in self.found]
        return any(said) or not said

    @property
    def absent(self) -> int:
        """How often there was no value although the measure applies."""
        return sum(
            one.measure.value is None and one.measure.outcome is not Outcome.NOT_APPLICABLE
            for one in self.found
        )

    @property
    def uncertainty(self) -> float:
        """Largest standard uncertainty among the values, in `unit`; 0 if none is stated."""
        return max((one.measure.uncertainty or 0.0 for one in self.found), default=0.0)

    @property
    def resolution(self) -> float:
        """Coarsest resolution among the values, in `unit`."""
        return max((one.measure.resolution for one in self.found), default=0.0)


@dataclass(frozen=True, slots=True)
class Gathered:
    """Baselines, and what was not taken into them.

    Parameters
    ----------
    left_out : (run, item, why) of results that do not tell about the drive as it is now planned.
    """

    baselines: Mapping[Key, Baseline]
    left_out: tuple[tuple[str, str, str], ...]


def gather(
    runs: Iterable[tuple[str, Iterable[ItemResult]]], planned: Mapping[str, Mapping[str, str]]
) -> Gathered:
    """Gather the measures of the planned items.

    Parameters
    ----------
    runs : name and results of each run.
    planned : item -> its conditions in words, as results carry them. Results of other items are
        passed over; results under other conditions, and bench faults, are left out and named.
        Repetitions count singly; figures of an item as a whole (repeat 0) are no sample.

    Raises
    ------
    ValueError
        If one measure comes in two units.
    """
    baselines: dict[Key, Baseline] = {}
    left_out: list[tuple[str, str, str]] = []
    for run, results in runs:
        for result in results:
            if result.item not in planned:
                continue
            why = _unfit(result, planned[result.item])
            if why:
                left_out.append((run, result.item, why))
                continue
            repeats = result.repeats or (1,) * len(result.measures)
            for measure, repeat in zip(result.measures, repeats, strict=True):
                if repeat == 0:
                    continue
                key = (result.item, measure.name)
                base = baselines.setdefault(key, Baseline(*key, measure.unit))
                if base.unit != measure.unit:
                    raise ValueError(
                        f"{result.item}: {measure.name} in {measure.unit} in run {run}, in "
                        f"{base.unit} before"
                    )
                base.found.append(Found(run, measure, result.verdict))
    return Gathered(baselines, tuple(left_out))


def _unfit(result: ItemResult, conditions: Mapping[str, str]) -> str:
    if result.verdict in (Verdict.BENCH_FAULT, Verdict.NOT_RUN):
        return result.verdict.value
    differing = sorted(
        key
        for key in {*conditions, *result.conditions} - {"repeats"}
        if conditions.get(key) != result.conditions.get(key)
    )
    if differing:
        key = differing[0]
        return (
            f"run with {key} {result.conditions.get(key, 'unset')}, now planned with "
            f"{conditions.get(key, 'unset')}"
        )
    return ""
