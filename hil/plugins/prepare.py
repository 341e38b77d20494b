"""Once before the first item: firmware onto the board where asked for, then preflight."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime

from hil.bench.bench import Bench
from hil.bench.checklist import told, valid
from hil.bench.findings import Finding, Grade
from hil.bench.flash import Flashed, flash, verify_build
from hil.bench.observe import Silent
from hil.bench.open import board_port, open_board, unanswered
from hil.bench.prove import prove, require
from hil.bench.unopened import Unopened
from hil.core.errors import HilError
from hil.plugins.run import Run

LEVELS = {Grade.OK: "info", Grade.WARNING: "warning", Grade.FAILED: "error"}
Tell = Callable[[str], None]


def prepare(run: Run, tell: Tell) -> None:
    """See the module text; every line of progress goes to `tell`, every finding into the record.

    Raises
    ------
    HilError
        If the bench is not to be used; nothing must be run then.
    """
    options = run.options
    _require_checked(run)
    proving = options.preflight == "on" or (
        options.preflight == "auto" and not run.choice.simulated
    )
    proving = proving and not run.idle  # there is nothing to be proven for
    if not (proving or options.firmware or options.build):
        return
    opened = False
    try:
        with run.bench("preflight") as bench:
            opened = True
            run.verify_bench()
            if options.firmware is not None:
                _flash(run, bench, tell)
            elif options.build:
                verify_build(run.session.identities[0], options.build)
            run.start()
            if proving:
                require(prove(bench, run.rig), lambda finding: _found(run, finding, tell))
            for text in bench.keeper.take_stops():
                run.note(f"preflight: {text}")
    except HilError as error:
        run.session.dead = " ".join(str(error).split())
        if opened or run.choice.simulated:
            raise
        # Opening ends at the first part that fails: one look is to tell of all.
        parts = unanswered(run.rig, run.choice.resources)
        unopened = Unopened(run.rig.rig, str(error), parts)
        run.session.dead = str(unopened)
        raise unopened from error


def _require_checked(run: Run) -> None:
    """Hardware is energised where a person has seen to it, if its rig file asks for that."""
    if run.rig.checklist is None or run.choice.simulated or run.idle:
        return
    try:
        signed = valid(run.rig, datetime.now(UTC))
    except HilError as error:
        run.session.dead = str(error)
        raise
    run.foretold = [*run.foretold, told(run.rig, signed)]


def _found(run: Run, finding: Finding, tell: Tell) -> None:
    text = f"preflight: {finding.what}: {finding.detail}"
    run.note(text, level=LEVELS[finding.grade])
    tell(text)


def _flash(run: Run, bench: Bench, tell: Tell) -> Flashed:
    rig, resources = run.rig, run.choice.resources
    observer, image = run.observer or Silent(), run.options.firmware
    assert image is not None

    def progress(line: str) -> None:
        observer.step(f"flash: {line}")
        tell(f"flash: {line}")

    done = flash(
        bench,
        rig,
        image,
        port=board_port(rig, resources),
        reopen=lambda: open_board(
            rig, board_port(rig, resources), bench.clock, run.keep_bytes, retries=0
        ),
        expect_build=run.options.build,
        tell=progress,
        log=run.folder.path / "flash.log",
    )
    run.session.identities = bench.identities()
    run.keep_image(image)
    run.note(str(done))
    tell(str(done))
    return done
