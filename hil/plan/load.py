"""Files to frozen typed models: the way in to this package."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path

from hil.plan.checked import at_places, read_checked, refuse_if_any, repeated
from hil.plan.checks import check_commands, check_rig, check_telemetry
from hil.plan.described import find
from hil.plan.explain import validate
from hil.plan.firmware import find_firmware
from hil.plan.flashing import check_flash, placed
from hil.plan.inherited import inherited
from hil.plan.instruments import AttendedBrake, SourceBrake, TorqueBrake
from hil.plan.matrix import Wrong, read_scenario
from hil.plan.plan import Plan, PlanHead, Scenario
from hil.plan.profile import Profile
from hil.plan.profile_checks import check_line_load, check_profile
from hil.plan.profile_link import describe_link
from hil.plan.reader import beside, read, read_based
from hil.plan.recognise import require_kind
from hil.plan.rig import PLACES_OF_BOARD, Rig
from hil.plan.source import Problem, Source, refuse
from hil.plan.supply import find_commands
from hil.ports.link import LinkDescription


def read_rig(path: Path, find: Callable[[Path, str], Path] = beside) -> Source:
    """Read a rig file and those it is based on: where the board is, the nearest one says alone."""
    return read_based(path, find=find, one_of={("board",): PLACES_OF_BOARD})


def load_rig(path: Path | str) -> Rig:
    """Read a rig file (and the one it is based on) and the link profile it names.

    Raises
    ------
    PlanError
        With file, line and column of every problem.
    """
    source = read_rig(Path(path))
    rig = rig_of(source)
    refuse_if_any(at_places(source, [*check_rig(rig), *check_flash(rig)]))
    if rig.board.flash is not None:
        own = {"flash": placed(rig.board.flash, source)}
        rig = rig.model_copy(update={"board": rig.board.model_copy(update=own)})
    named_in = Path(source.position(("board", "profile")).file)
    profile = beside(named_in, rig.board.profile)
    if not profile.is_file():
        raise refuse(
            [
                source.problem(
                    ("board", "profile"), f"board.profile: there is no file {profile.as_posix()}"
                )
            ]
        )
    rig._firmware = find_firmware(rig.twin.firmware, source)
    firmware = rig._firmware.files if rig._firmware is not None else ()
    rig._commands["supply"], described = find_commands(
        rig.supply.commands, source, ("supply", "commands")
    )
    if isinstance(rig.brake, SourceBrake):
        rig._commands["brake"], more = find_commands(
            rig.brake.commands, source, ("brake", "commands")
        )
        described = tuple(dict.fromkeys((*described, *more)))
    for role, part in (
        ("tachometer", rig.tachometer),
        ("encoder", rig.encoder),
        ("thermometer", rig.thermometer),
        ("switch", rig.switch),
        ("interlock", rig.interlock),
        ("brake", rig.brake if isinstance(rig.brake, TorqueBrake) else None),
    ):
        if part is not None and part.commands is not None:
            texts, name, more = find(part.commands, source, (role, "commands"))
            rig._readings[role] = texts.described(name)
            described = tuple(dict.fromkeys((*described, *more)))
    refuse_if_any(at_places(source, check_commands(rig)))
    rig._files = (*source.files, *described, *firmware, profile)
    rig._named_in = source.position(("rig",)).file
    rig._inherited = inherited(source)
    rig._profile = load_profile(profile)
    refuse_if_any(at_places(source, check_telemetry(rig)))
    return rig


def rig_of(source: Source) -> Rig:
    """What a rig file itself says, without the files that it names.

    Raises
    ------
    PlanError
        With file, line and column of every problem.
    """
    require_kind(source, "rig")
    rig = validate(Rig, source)
    if isinstance(rig.brake, AttendedBrake):  # nothing is wired: from here on there is no brake
        rig._answer_within = rig.brake.answer_within
        rig = rig.model_copy(update={"brake": None})
    return rig


def load_profile(path: Path | str) -> LinkDescription:
    """Read a link profile.

    Raises
    ------
    PlanError
        With file, line and column of every problem.
    """

    def check(profile: Profile, source: Source) -> Iterator[Problem]:
        wrong = list(at_places(source, check_profile(profile)))
        yield from wrong or at_places(source, check_line_load(profile))

    return describe_link(read_checked(Profile, path, check, kind="profile"))


def load_plan(path: Path | str, *, alone: bool = False) -> Plan:
    """Read a plan file; `hil.plan.expand.expand` makes its items for a rig.

    Parameters
    ----------
    alone : it lies apart from the rig file that it names, and `Plan.rig_path` is None.

    Raises
    ------
    PlanError
        With file, line and column of every problem.
    """
    source = read(Path(path))
    require_kind(source, "plan")
    head = validate(PlanHead, source)
    scenarios: list[Scenario] = []
    wrong: list[Problem] = []
    ids: list[str | None] = []
    for index in range(len(head.scenarios)):
        try:
            scenario = read_scenario(source, index, head.defaults)
        except Wrong as error:
            wrong += error.problems
            ids.append(None)
        else:
            scenarios.append(scenario)
            ids.append(scenario.head.id)
    refuse_if_any([*wrong, *repeated(source, ("scenarios",), "id", ids)])
    rig = beside(Path(path), head.rig) if head.rig and not alone else None
    if rig is not None and not rig.is_file():
        raise refuse([source.problem(("rig",), f"rig: there is no file {rig.as_posix()}")])
    return Plan(
        path=Path(path),
        name=head.plan,
        description=head.description,
        rig_path=rig,
        pairs_required=head.pairs == "required",
        defaults=head.defaults,
        scenarios=tuple(scenarios),
        source=source,
    )
