"""``hil``: the command line. Commands load when they are called, so that help comes at once."""

from __future__ import annotations

import importlib
import sys
from typing import Any

import click

from hil.core.errors import BenchError, HilError, PlanError

#: Command -> module and attribute; the first line of the help stands here to stay unloaded.
COMMANDS: dict[str, tuple[str, str, str]] = {
    "bands": ("hil.cli.bands", "bands", "Propose pass bands from baseline runs."),
    "bisect": ("hil.cli.bisect", "bisect", "Find the build that changed a measure."),
    "check": ("hil.cli.check", "check", "Look a rig or a plan over; nothing is energised."),
    "checklist": ("hil.cli.checklist", "checklist", "See to every point of a bench, and sign."),
    "defects": ("hil.cli.defects", "defects", "Prove that a plan catches seeded defects."),
    "drift": ("hil.cli.drift", "drift", "Tell what changed between builds and nights."),
    "index": ("hil.cli.index", "index", "Index run folders, to ask over many runs at once."),
    "link": ("hil.cli.link", "link", "Try a link profile on a port or on recorded bytes."),
    "measures": ("hil.cli.measures", "measures", "List the measures with their definitions."),
    "population": (
        "hil.cli.population",
        "population",
        "Run a plan on healthy simulated rigs: no band may fail one.",
    ),
    "qualify": ("hil.cli.qualify", "qualify", "Hold runs against the requirements of a release."),
    "report": ("hil.cli.report", "report", "Rebuild JUnit, table and page of a run."),
    "site": ("hil.cli.site", "site", "Build a site that says which build changed what."),
    "twin": ("hil.cli.twin", "twin", "Serve the simulated bench of a rig."),
    "verify": ("hil.cli.verify", "verify", "Name what was altered in a dossier or a run."),
}

#: Exit codes by whose fault it is; 2 is also click's own code for a misused command line.
EXIT_PLAN, EXIT_BENCH, EXIT_OTHER = 2, 3, 1


class _Commands(click.Group):
    """A group that imports a command when it is called and not before."""

    def list_commands(self, ctx: click.Context) -> list[str]:  # noqa: ARG002 - click's signature
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:  # noqa: ARG002
        if cmd_name not in COMMANDS:
            return None
        module, attribute, _ = COMMANDS[cmd_name]
        command = getattr(importlib.import_module(module), attribute)
        assert isinstance(command, click.Command)
        return command

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:  # noqa: ARG002
        with formatter.section("Commands"):
            formatter.write_dl([(name, entry[2]) for name, entry in COMMANDS.items()])


@click.group(cls=_Commands, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(package_name="hil", prog_name="hil")
def hil() -> None:
    """Test brushless-motor firmware on a bench rig or on a simulated motor.

    The plans themselves are run by pytest: pytest testplans
    """


def main(arguments: list[str] | None = None) -> None:
    """Run a command and leave with its exit code.

    Errors of the project's own kinds go to standard error, one line each: exit code 2 for a file
    the user wrote, 3 for the bench, 1 for anything else; 130 after Ctrl-C, and after SIGTERM if
    the command ends in order then.
    """
    try:
        code: Any = hil.main(args=arguments, prog_name="hil", standalone_mode=False)
    except HilError as error:
        for line in _lines(error):
            click.echo(f"hil: {line}", err=True)
        sys.exit(_exit_code(error))
    except click.ClickException as error:
        error.show()
        sys.exit(error.exit_code)
    except (click.Abort, KeyboardInterrupt):
        click.echo("hil: interrupted", err=True)
        sys.exit(130)
    except OSError as error:
        # A full disk or a closed pipe behind --json or the output: nobody's defect.
        click.echo(f"hil: {error}", err=True)
        sys.exit(EXIT_OTHER)
    sys.exit(code if isinstance(code, int) else 0)


def _exit_code(error: HilError) -> int:
    if isinstance(error, PlanError):
        return EXIT_PLAN
    return EXIT_BENCH if isinstance(error, BenchError) else EXIT_OTHER


def _lines(error: HilError) -> list[str]:
    """One line for each thing that is wrong with a file; one in all for any other error."""
    parts = str(error).splitlines() if isinstance(error, PlanError) else [str(error)]
    return [" ".join(part.split()) for part in parts if part.strip()]


if __name__ == "__main__":
    main()
