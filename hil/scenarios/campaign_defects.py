"""Every seeded defect through a plan: which item catches it, by which measure, with what margin.

    results = prove(plan, rig, defects, run=run_campaign)

The healthy firmware goes first: a plan that fails it proves nothing by failing others. Then each
defect runs through the items until one catches it (or through all of them), the likeliest first.
An item catches a defect when its verdict is *fail* and what failed is what the defect is known to
show; a fail for another reason is counted apart, and bench-fault or undecided never count.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field

from hil.core.count import many
from hil.core.verdict import Verdict
from hil.plan.kinds import (
    ReversalParameters,
    StallParameters,
    StepsParameters,
)
from hil.plan.plan import PlannedItem
from hil.plan.protective import ProtectionParameters
from hil.plan.steps import Reverse, Start
from hil.scenarios.campaign_task import Task, TaskResult
from hil.twin.defects import Defect
from hil.twin.variation import Variation

#: Items that a defect is given in each round until one catches it; the rest in a last one.
ROUNDS = (3, 9, 30)

#: Runs tasks and yields their results in order: `campaign.run_campaign` with its options filled in.
Run = Callable[[Sequence[Task]], Iterator[TaskResult]]


@dataclass(frozen=True, slots=True)
class Catch:
    """One item that failed the defect for the right reason.

    Parameters
    ----------
    measure : whose band failed; "" where the manoeuvre itself could not go on.
    margin : distance to the limit, negative outside, in the unit of the measure; None without one.
    """

    item: str
    measure: str
    margin: float | None
    reason: str


@dataclass(slots=True)
class Proof:
    """What became of one defect.

    Attributes
    ----------
    results : in the order in which they were run.
    planned : items in the order in which they are run.
    starts, chance : how often the motor is started in what was planned, and the chance, stated
        before anything ran, that so many starts show the defect.
    """

    defect: Defect
    starts: int
    chance: float
    planned: tuple[str, ...] = ()
    results: list[TaskResult] = field(default_factory=list)

    @property
    def complete(self) -> bool:
        """Whether it went through all items that are planned for it."""
        return len(self.results) == len(self.planned)

    @property
    def catches(self) -> list[Catch]:
        """Every item that caught it so far."""
        found = (catch_of(self.defect, result) for result in self.results)
        return [catch for catch in found if catch is not None]

    @property
    def caught(self) -> Catch | None:
        """The first item that caught it, or None."""
        return next(iter(self.catches), None)

    @property
    def otherwise(self) -> list[TaskResult]:
        """Items that did not pass, for other reasons than the defect is known to give."""
        caught = {catch.item for catch in self.catches}
        return [
            result
            for result in self.results
            if result.verdict is not Verdict.PASS and result.task.item not in caught
        ]

    @property
    def seconds(self) -> float:
        """Time the workers spent on it, s."""
        return sum(result.wall_seconds for result in self.results)


@dataclass(slots=True)
class Matrix:
    """The proof of all defects; void if the healthy firmware did not pass.

    Parameters
    ----------
    interrupted : it was ended early; then `unsettled` names the defects of which nothing can be
        said yet, and `proofs` are those of the others.
    """

    items: tuple[str, ...]
    healthy: list[TaskResult] = field(default_factory=list)
    proofs: list[Proof] = field(default_factory=list)
    interrupted: bool = False
    unsettled: tuple[str, ...] = ()

    @property
    def void(self) -> list[TaskResult]:
        """Items that the healthy firmware did not pass."""
        return [result for result in self.healthy if result.verdict is not Verdict.PASS]

    @property
    def escaped(self) -> list[Proof]:
        """Defects that no item caught."""
        return [proof for proof in self.proofs if proof.caught is None]


def catch_of(defect: Defect, result: TaskResult) -> Catch | None:
    """The catch that a result is, or None: see the module text."""
    if result.verdict is not Verdict.FAIL:
        return None
    for one in result.judged:
        if one.verdict is Verdict.FAIL and one.measure in defect.measures:
            return Catch(result.task.item, one.measure, one.margin, one.reason)
    if defect.explains(result.reason):
        return Catch(result.task.item, "", None, result.reason)
    return None


def starts_of(item: PlannedItem) -> int:
    """How often an item starts the motor, reversals included."""
    p = item.parameters
    once = 1
    if isinstance(p, ReversalParameters):
        once = 2
    elif isinstance(p, StallParameters | ProtectionParameters):
        once = 2 if p.expect == "trip" else 1
    elif isinstance(p, StepsParameters):
        once = sum(isinstance(step, Start | Reverse) for step in p.steps)
    return once * item.repeats


def likeliest(defect: Defect, items: Iterable[PlannedItem]) -> list[str]:
    """Ids of items, those first that judge what the defect shows, under what it needs.

    Only a matter of time: the order has no influence on what is caught in the end.
    """
    words = " ".join((defect.name, *defect.measures)).split()
    words = [part for word in words for part in (word, *word.split("-")) if len(part) > 3]

    def score(item: PlannedItem) -> float:
        judged = {band.measure for band in item.bands}
        points = 2.0 * len(judged & set(defect.measures))
        points += sum(word in item.id for word in set(words))
        if "one-direction" in defect.tags and item.direction < 0:
            points += 3.0
        if item.sensing.value in defect.consequence.lower():
            points += 3.0
        if "long-run" in defect.tags and "endurance" in item.id:
            points += 3.0
        if defect.intermittent and item.repeats > 1:
            points += 10.0
        return points if item.repeats == 1 or defect.intermittent else points - 5.0

    chosen = sorted(items, key=score, reverse=True)
    # One item of each scenario before the second of any: what one matrix cell misses the next
    # often misses too.
    seen: dict[str, int] = {}
    turn: dict[str, int] = {}
    for item in chosen:
        scenario = item.id.partition(".")[0]
        turn[item.id] = seen.get(scenario, 0)
        seen[scenario] = turn[item.id] + 1
    return [item.id for item in sorted(chosen, key=lambda one: turn[one.id] // 2)]


def prove(
    plan: str,
    rig: str,
    items: Mapping[str, PlannedItem],
    defects: Iterable[Defect],
    run: Run,
    *,
    seed: str = "1",
    whole: bool = False,
    without_series: bool = False,
    tell: Callable[[str], object] = lambda _text: None,
) -> Matrix:
    """Run the healthy firmware, then every defect, through the items of a plan.

    Parameters
    ----------
    plan, rig : files, as in `Task`.
    items : of the plan by id.
    whole : all items for every defect, in the order of the plan; else until one catches it.
    without_series : items that are repeated are kept for intermittent defects alone.
    tell : called with one line now and then.

    Returns
    -------
    The matrix; without proofs if the healthy firmware did not pass. Of a campaign that was
    interrupted (`KeyboardInterrupt`), what was settled by then.
    """
    starts = sum(starts_of(item) for item in items.values())
    matrix = Matrix(tuple(items))
    single = [item for item in items.values() if item.repeats == 1]
    for one in defects:
        kept = single if without_series and not one.intermittent else list(items.values())
        ids = [item.id for item in kept] if whole else likeliest(one, kept)
        matrix.proofs.append(Proof(one, starts, one.chance(starts), tuple(ids)))
    sizes = (len(items),) if whole else (*ROUNDS, len(items))
    try:
        tell(f"healthy firmware through {many(len(items), 'item')}")
        healthy = Variation("healthy")
        for result in run([Task(plan, item, rig, healthy, seed) for item in items]):
            matrix.healthy.append(result)
        if matrix.void:
            matrix.proofs = []
            return matrix
        for size in sizes:
            open_ones = [proof for proof in matrix.proofs if whole or proof.caught is None]
            if not open_ones:
                break
            tell(f"{many(len(open_ones), 'defect')}, up to {many(size, 'item')} each")
            tasks = [
                Task(plan, item, rig, proof.defect.variation, seed)
                for proof in open_ones
                for item in proof.planned[len(proof.results) :][:size]
            ]
            by_name = {proof.defect.name: proof for proof in open_ones}
            for result in run(tasks):
                by_name[result.task.variation.name].results.append(result)
    except KeyboardInterrupt:
        passed = len(matrix.healthy) == len(items)
        open_ones = [
            proof
            for proof in matrix.proofs
            if not (passed and (proof.complete or (proof.caught is not None and not whole)))
        ]
        matrix.unsettled = tuple(proof.defect.name for proof in open_ones)
        matrix.proofs = [p for p in matrix.proofs if p.defect.name not in matrix.unsettled]
        matrix.interrupted = True
    return matrix
