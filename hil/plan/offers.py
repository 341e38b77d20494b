"""What a rig offers to measure with: the channels of a trace that nothing on it gives, and why."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from hil.measures.catalogue import blocked_by, definitions
from hil.plan.plan import PlannedItem
from hil.plan.rig import Rig
from hil.ports.reading_commands import CounterCommands, MemoryCommands

#: What a board may report or not; its state and speed it has to.
REPORTED = ("current", "peak", "voltage", "temperature")
#: Measures that need the sense of rotation, of every kind and of a reversal; those of the angle
#: lack their channel.
DIRECTIONAL = ("direction-agreement",)
OF_REVERSAL = ("success", "time-to-standstill", "dwell", "time-to-reverse-speed", "overshoot",
               "steady-error")  # fmt: skip
NO_DIRECTION = "the tachometer does not sense the direction of rotation"
#: So many items are named in one sentence.
NAMED = 10


def absent_channels(rig: Rig) -> tuple[tuple[str, str], ...]:
    """Each channel that no trace of this rig has, with the reason in words."""
    return tuple(_absent(rig))


def _absent(rig: Rig) -> Iterator[tuple[str, str]]:
    shaft = rig.tachometer
    if shaft is None:
        yield "witness.speed", "the rig has no tachometer"
        yield "witness.position", "the rig has no tachometer"
    elif not _tells_angle(rig):
        yield "witness.position", "the tachometer of the rig tells no angle"
    elif not shaft.senses_direction:
        yield "witness.position", NO_DIRECTION
    if rig.thermometer is None:
        yield "witness.temperature", "the rig has no thermometer"
    told = {
        leaf.channel
        for name, message in rig.profile.messages.items()
        if name.startswith("telemetry")
        for field in message.fields
        for leaf in (field, *field.parts)
    }
    for name in REPORTED:
        if f"reported.{name}" not in told:
            yield f"reported.{name}", f"the board reports no {name}"


def _tells_angle(rig: Rig) -> bool:
    said = rig.readings.get("tachometer")
    if isinstance(said, CounterCommands):
        return said.position is not None
    return not isinstance(said, MemoryCommands) or "position" in said.columns


def directional(kind: str) -> tuple[str, ...]:
    """Measures of a kind of scenario that need a tachometer which senses the direction."""
    return (*DIRECTIONAL, *(OF_REVERSAL if kind == "reversal" else ()))


def not_judged(items: Sequence[PlannedItem], rig: Rig) -> Iterator[str]:
    """Which bands cannot be judged on the rig, one sentence for each reason and measure."""
    absent, shaft = absent_channels(rig), rig.tachometer
    found: dict[tuple[str, str], list[str]] = {}
    for item in items:
        if item.lacks:
            continue
        told = definitions(item.kind)
        for band in item.bands:
            reason = blocked_by(told[band.measure], absent)
            blind = shaft is not None and not shaft.senses_direction
            if not reason and blind and band.measure in directional(item.kind):
                reason = NO_DIRECTION
            if reason:
                found.setdefault((reason, band.measure), []).append(item.id)
    for (reason, measure), those in found.items():
        more = f" and {len(those) - NAMED} more" if len(those) > NAMED else ""
        yield (
            f"{reason}: no {measure}; items with a band on it are not-run at best "
            f"({len(those)} of {len(items)}): {', '.join(those[:NAMED])}{more}"
        )
