"""Options of the bench, their environment variables and their ini twins.

Nothing heavy is imported here: a plain pytest session must not notice that the plugin is installed.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from hil.core.roles import ROLES
from hil.plugins.given import COMMAND_LINE, DEFAULT, given, lines, shown, variable
from hil.plugins.in_force import BenchOptions, Given
from hil.plugins.keys import COLLECTED, RUN, TAKEN
from hil.plugins.until import refuse_if_wrong

#: option name -> (default, help); each has an ini twin ``hil_...`` of the same meaning.
OPTIONS = {
    "bench": ("auto", "where plans run: auto (hardware if it answers, else the twin; hardware if a "
              "port is named on the command line), hardware, or twin (the simulated bench)"),
    "rig": ("", "rig file; overrides the one a plan names"),
    "out": ("runs", "folder in which the run folder is created"),
    "seed": ("1", "seed of everything random on the simulated bench"),
    "board": ("", "board port or pyserial URL; overrides the rig file"),
    "supply": ("", "VISA resource of the supply; overrides the rig file"),
    "tachometer": ("", "VISA resource of the tachometer; overrides the rig file"),
    "brake": ("", "VISA resource of the brake; overrides the rig file"),
    "switch": ("", "VISA resource of the signal switch; overrides the rig file"),
    "interlock": ("", "VISA resource of the interlock inputs; overrides the rig file"),
    "encoder": ("", "VISA resource of the encoder; overrides the rig file"),
    "thermometer": ("", "VISA resource of the thermometer; overrides the rig file"),
    "pool": ("", "pool file: take a rig of it that is free; with -n each worker takes one"),
    "resume": ("", "run folder of an interrupted run: run what is left of it, in that folder"),
    "until": ("", "time of day (06:30) or duration ('8 h') by which the run is to be over: no item "
               "begins after that"),
    "preflight": ("auto", "prove the bench before the first item: auto (hardware only), on, off"),
    "firmware": ("", "firmware image to put on the board first, by board.flash of the rig file"),
    "build": ("", "build that the board must report, else nothing is run"),
    "attended": ("off", "on: ask the person at the terminal for what no instrument does; off: "
                 "items that take a person are not run"),
    "commit": ("", "commit of the firmware's sources, kept in the record"),
    "search": ("", "name of the search for a build that the run serves, kept in the record: such a "
               "run is no night, and no index takes it in"),
    "index": ("", "index that the run adds itself to at its end: SQLite file or PostgreSQL URL"),
    "operator": ("", "who runs it, kept in the record"),
    "place": ("", "where the bench stands, kept in the record"),
    "ambient": ("", "ambient temperature as measured, such as '22 degC', kept in the record"),
}  # fmt: skip
#: Options that name what must be there.
FILES = {"rig": "file", "pool": "file", "resume": "folder", "firmware": "file"}
CHOICES = {
    "bench": ("auto", "hardware", "twin"),
    "preflight": ("auto", "on", "off"),
    "attended": ("on", "off"),
}


def pytest_addoption(parser: pytest.Parser) -> None:
    """Add the ``--hil-...`` options, one group; each has an ini twin and a variable ``HIL_...``."""
    group = parser.getgroup("hil", "bench for brushless-motor firmware")
    for name, (default, text) in OPTIONS.items():
        group.addoption(
            f"--hil-{name}",
            dest=f"hil_{name}",
            default=None,
            choices=CHOICES.get(name),
            help=f"{text} (default: {default or 'none'})",
        )
        about = f"as --hil-{name}: {text}"
        if default.isdigit():  # in TOML a number, without quotes
            parser.addini(f"hil_{name}", about, type="int", default=None)
        else:
            parser.addini(f"hil_{name}", about, type="string", default=None)


def pytest_configure(config: pytest.Config) -> None:
    """Refuse values that cannot be used before anything is collected."""
    bench_options(config)


def pytest_report_collectionfinish(config: pytest.Config) -> list[str]:
    """The options that are no defaults, with -v all of them, and where each came from."""
    if config.stash.get(RUN, None) is None and not config.stash.get(COLLECTED, {}):
        return []  # neither a bench nor a plan has anything to do with it
    if config.get_verbosity() < 0:
        return []
    return list(lines(bench_options(config).settings, each=config.get_verbosity() > 0))


def bench_options(config: pytest.Config) -> BenchOptions:
    """Resolve the options.

    Raises
    ------
    pytest.UsageError
        For a value that cannot be used, naming option and value.
    """
    found = {name: given(config, name, default) for name, (default, _) in OPTIONS.items()}
    for name, choices in CHOICES.items():
        one = found[name]
        if one.value not in choices:
            raise pytest.UsageError(
                f"{_named(one)} = {one.value}: expected one of {', '.join(choices)}"
            )
    asked = config.getoption("hil_bench")
    named = [role for role in ROLES if config.getoption(f"hil_{role}")]
    if asked in (None, "auto") and named:
        # Who names a port means what is there: no answer is then an error, not a simulated run.
        source = f"{COMMAND_LINE}, which names a port: --hil-{named[0]}"
        found["bench"] = Given("bench", "hardware", source)
    values = {name: one.value for name, one in found.items()}
    seed = _seed(found["seed"])
    for name, kind in FILES.items():
        one = found[name]
        path = Path(one.value)
        if one.value and not (path.is_dir() if kind == "folder" else path.is_file()):
            raise pytest.UsageError(f"{_named(one)} {one.value}: no such {kind}")
    if values["pool"] and values["rig"]:
        raise pytest.UsageError("--hil-rig and --hil-pool exclude each other")
    taken = config.stash.get(TAKEN, None)
    if taken is not None:
        found["rig"] = Given("rig", str(taken.rig), "taken from the pool")
        found |= {role: Given(role, at, "taken from the pool")
                  for role, at in taken.resources.items() if not values[role]}  # fmt: skip
    resources = {role: values[role] for role in ROLES if values[role]}
    return BenchOptions(
        bench=values["bench"],
        rig=values["rig"] if taken is None else str(taken.rig),
        out=Path(values["out"]),
        seed=seed,
        resources=resources if taken is None else {**taken.resources, **resources},
        pool=Path(values["pool"]) if values["pool"] else None,
        preflight=values["preflight"],
        until=refuse_if_wrong(values["until"], _named(found["until"])),
        firmware=Path(values["firmware"]) if values["firmware"] else None,
        build=values["build"],
        attended=values["attended"] == "on",
        commit=values["commit"],
        search=values["search"].strip(),
        index=values["index"],
        operator=values["operator"].strip(),
        resume=Path(values["resume"]) if values["resume"] else None,
        environment=_environment(values["place"].strip(), values["ambient"].strip()),
        settings=tuple(one._replace(value=shown(one.value)) for one in found.values()),
    )


def _named(one: Given) -> str:
    """What an option is called where its value came from."""
    if one.source in (COMMAND_LINE, DEFAULT):
        return f"--hil-{one.name}"
    return variable(one.name) if one.source.startswith("environment") else f"hil_{one.name}"


def _seed(one: Given) -> int:
    try:
        seed = int(one.value)
    except ValueError:
        raise pytest.UsageError(f"{_named(one)} {one.value}: expected a whole number") from None
    if not 0 <= seed < 2**32:
        raise pytest.UsageError(f"{_named(one)} {seed}: expected a number from 0 to 4294967295")
    return seed


def _environment(place: str, ambient: str) -> dict[str, str]:
    """What was stated of the surroundings; a temperature needs its unit."""
    stated = {"place": place} if place else {}
    if ambient:
        from hil.plan.units import convert

        try:
            stated["ambient"] = f"{convert(ambient, 'temperature'):g} degC"
        except ValueError as error:
            raise pytest.UsageError(f"--hil-ambient {ambient}: {error}") from error
    return stated
