"""Small run folders with chosen contents."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Protocol

import pytest

from hil.core.band import Band
from hil.core.measure import Measure
from hil.core.record import Identity, ItemResult, ItemStart, RunEnd, RunStart
from hil.core.verdict import Judgement, Verdict
from hil.store.folder import RunFolder


class Night(Protocol):
    def __call__(self, name: str, *, values: Sequence[float] = ..., **facts: object) -> Path: ...


def result(item: str, values: Sequence[float], utc: str, high: float = 3.5) -> ItemResult:
    """A start with one repeat a value, each judged."""
    band = Band("peak-current", None, high, "A")
    measures = tuple(Measure("peak-current", "A", value, 0.05, 0.01) for value in values)
    judgements = tuple(
        Judgement(
            band, m, Verdict.PASS if m.value <= high else Verdict.FAIL, "as found", repeat=n
        )
        for n, m in enumerate(measures, start=1)
    )  # fmt: skip
    failed = any(j.verdict is Verdict.FAIL for j in judgements)
    return ItemResult(
        item=item,
        scenario="start",
        plan="nightly",
        title="A start",
        conditions={"direction": "cw"},
        verdict=Verdict.FAIL if failed else Verdict.PASS,
        reason="as found",
        utc=utc,
        duration=2.5,
        measures=measures,
        repeats=tuple(range(1, len(values) + 1)),
        judgements=judgements,
    )


@pytest.fixture
def night(tmp_path: Path) -> Callable[..., Path]:
    """Makes a run folder below ``tmp_path / "runs"`` (or `out`)."""

    def make(
        name: str,
        *,
        values: Sequence[float] = (1.0,),
        items: Sequence[str] = ("start",),
        utc: str = "2026-03-01T22:15:09.123Z",
        build: str = "A",
        commit: str = "",
        rig: str = "pump",
        simulated: bool = True,
        ended: bool = True,
        out: Path = tmp_path / "runs",
        inputs: Sequence[Path] = (),
    ) -> Path:
        with RunFolder.create(out, name) as folder:
            folder.append(
                RunStart(
                    run=name,
                    utc=utc,
                    simulated=simulated,
                    bench="twin",
                    rig=rig,
                    plans=("nightly.plan.yaml",),
                    items=tuple(items),
                    identities=(Identity(role="board", revision=build),),
                    hashes=folder.keep_inputs(inputs),
                    commit=commit,
                )
            )
            for n, item in enumerate(items, start=1):
                folder.append(ItemStart(item=item, utc=utc, position=n, of=len(items)))
                folder.append(result(item, values, utc))
            if ended:
                folder.append(RunEnd(utc=utc, reason="completed", counts={"pass": 1}))
            return folder.path

    return make
