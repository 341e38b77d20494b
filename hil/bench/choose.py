"""Hardware or simulated bench: which one a run uses, and why, in one sentence."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Literal

from hil.bench.open import hardware_identities
from hil.core.errors import HilError
from hil.core.record import Identity
from hil.plan.rig import Rig

Mode = Literal["auto", "hardware", "twin"]


@dataclass(frozen=True, slots=True)
class Choice:
    """Where a run happens.

    Parameters
    ----------
    simulated : True for the twin.
    reason : one sentence for the terminal, the record and every report page.
    resources : role -> port or VISA resource that overrides the rig file.
    held : what stood in the error queues of the hardware when it was asked who it is.
    """

    simulated: bool
    reason: str
    resources: Mapping[str, str]
    held: tuple[str, ...] = ()


def choose(rig: Rig, mode: str, resources: Mapping[str, str]) -> Choice:
    """Decide by `mode`: ``hardware`` and ``twin`` as they say; ``auto`` asks the hardware.

    ``auto`` takes the hardware if board and instruments all answer to their identity; nothing is
    energised to find out. Otherwise it takes the twin and the reason names what was missing.
    """
    if mode == "twin":
        return Choice(True, f"SIMULATED bench of rig {rig.rig}, as asked for", resources)
    if mode == "hardware":
        return Choice(False, f"hardware bench {rig.rig}, as asked for", resources)
    held: list[str] = []
    try:
        found = hardware_identities(rig, resources, held)
    except HilError as error:
        why = f"SIMULATED bench of rig {rig.rig}, since no hardware answers: {error}"
        return Choice(True, why, resources, tuple(held))
    board = next((who for who in found if who.role == "board"), None)
    return Choice(False, f"hardware bench {rig.rig}, board {board} answers", resources, tuple(held))


def is_simulated(choice: Choice, identities: Iterable[Identity]) -> bool:
    """Whether the evidence is simulated: the twin in this process, or one served by another.

    A served twin is opened like hardware and only its instruments' models (``SIM-...``) tell. One
    simulated instrument is enough: evidence must not be half real.
    """
    return choice.simulated or any(who.model.startswith("SIM-") for who in identities)
