"""What ``hil bisect`` is asked, held against plan, rig and builds before anything is run."""

from __future__ import annotations

import hashlib
import json
from pathlib import Path
from typing import Any

import click

from hil.cli import shared
from hil.cli.bisect_run import Question
from hil.core.alike import nearest
from hil.core.errors import PlanError
from hil.measures.catalogue import definitions
from hil.plan.load import load_plan
from hil.scenarios.bisect_builds import Build, commits, listed_builds, words
from hil.scenarios.campaign_task import items_of
from hil.verdicts.bisection import Search


def asked(good: str, bad: str, options: dict[str, Any]) -> tuple[Question, tuple[Build, ...], str]:
    """What is to be run, the builds, and the unit of the measure ("" without one).

    Raises
    ------
    PlanError, click.UsageError
        If files, item, measure or builds do not fit.
    """
    repository, list_file, plan = options["repository"], options["list_file"], options["plan"]
    if (repository is None) is (list_file is None):
        raise click.UsageError("give either --repository or --builds")
    if repository is not None and not options["build_command"]:
        raise click.UsageError("--repository needs a --build-command that makes {out}")
    rig = options["rig"] or load_plan(plan).rig_path
    if rig is None:
        raise PlanError("names no rig: add 'rig: FILE', or give --rig", file=str(plan), line=1)
    items = items_of(str(plan), str(rig))
    if options["item"] not in items:
        raise PlanError(
            f"has no item {options['item']!r}{nearest(options['item'], items)}", file=str(plan)
        )
    known = definitions(items[options["item"]].kind)
    measure = options["measure"]
    if measure and measure not in known:
        raise click.BadParameter(
            f"{options['item']} has no {measure!r}{nearest(measure, known)}",
            param_hint="--measure",
        )
    builds = (
        commits(repository, good, bad)
        if repository is not None
        else listed_builds(list_file, good, bad)
    )
    commands = {
        name: words(options[name], f"--{name.replace('_', '-')}") if options[name] else ()
        for name in ("build_command", "flash_command")
    }
    question = Question(
        plan=plan,
        rig=Path(rig),
        item=options["item"],
        measure=measure,
        bench=options["bench"],
        seed=options["seed"],
        repository=repository,
        folder=(repository or list_file.parent).resolve(),
        build_command=commands["build_command"],
        flash_command=commands["flash_command"],
        expect_build=options["expect_build"],
        build_limit=options["build_limit"],
        run_limit=options["run_limit"],
    )
    return question, builds, known[measure].unit if measure else ""


def new_search(last: int, options: dict[str, Any], *, rate: bool) -> Search:
    """The search itself, with the numbers that were given.

    Raises
    ------
    click.UsageError
        If they make no search.
    """
    try:
        return Search(
            last,
            rate=rate,
            risk=options["risk"],
            most_ends=options["most_ends"],
            most=options["most"],
            build_cost=options["build_cost"],
        )
    except ValueError as error:
        raise click.UsageError(str(error)) from error


def fixed(question: Question, builds: tuple[Build, ...], options: dict[str, Any]) -> dict[str, Any]:
    """What must not change between the parts of one search."""
    return {
        "good": builds[0].name,
        "bad": builds[-1].name,
        "builds": hashlib.sha256("\n".join(one.name for one in builds).encode()).hexdigest()[:16],
        "plan": str(question.plan.resolve()),
        "rig": str(question.rig.resolve()),
        "item": question.item,
        "measure": question.measure,
        "bench": question.bench,
        "seed": question.seed,
        "build-command": question.build_command,
        "flash-command": question.flash_command,
        **{name: options[name] for name in ("risk", "most_ends", "most", "build_cost")},
    }


def work_folder(question: Question, builds: tuple[Build, ...], options: dict[str, Any]) -> Path:
    """A folder that the same question finds again."""
    text = json.dumps(fixed(question, builds, options), sort_keys=True)
    return shared.RUNS / f"bisect-{hashlib.sha256(text.encode()).hexdigest()[:10]}"
