"""The first line of a record: what a run was made with."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path

from hil.bench.choose import Choice
from hil.bench.describe import host_facts, limit_lines
from hil.core.record import Checkout, Identity, Omitted, RunStart, Setting
from hil.plan.rig import Rig
from hil.plugins.in_force import BenchOptions
from hil.ports.clock import utc_now
from hil.store.fingerprint import code_fingerprint

Planned = Sequence[tuple[str, Path]]


def plan_files(planned: Planned) -> list[Path]:
    """The files that items come from, each once, in order."""
    return list(dict.fromkeys(plan for _, plan in planned))


def input_groups(rig: Rig, planned: Planned) -> tuple[tuple[Path, ...], tuple[Path, ...]]:
    """The files a run rests on: sources of simulated firmware; plans, rig files and profiles."""
    compiled = tuple(rig.firmware.files) if rig.firmware is not None else ()
    others = tuple(file for file in rig.files if file not in compiled)
    return compiled, (*plan_files(planned), *others)


def head(
    options: BenchOptions,
    rig: Rig,
    choice: Choice,
    planned: Planned,
    *,
    name: str,
    simulated: bool,
    identities: tuple[Identity, ...],
    hashes: Mapping[str, str],
    firmware: Mapping[str, str],
    omitted: tuple[Omitted, ...],
    checkouts: tuple[Checkout, ...],
) -> RunStart:
    """See the module text; `hashes` of all inputs, `firmware` of what the board runs."""
    return RunStart(
        run=name,
        utc=utc_now(),
        simulated=simulated,
        bench=choice.reason,
        rig=rig.rig,
        plans=tuple(plan.name for plan in plan_files(planned)),
        items=tuple(item for item, _ in planned),
        seed=options.seed,
        identities=identities,
        hashes=hashes,
        host=host_facts() | {"hil code": code_fingerprint()},
        motor=dict(rig.motor.nameplate),
        limits=limit_lines(rig),
        commit=options.commit,
        search=options.search,
        operator=options.operator,
        environment=options.environment,
        firmware=firmware,
        omitted=omitted,
        checkouts=checkouts,
        settings=tuple(
            Setting(name=one.name, value=one.value, source=one.source) for one in options.settings
        ),
    )
