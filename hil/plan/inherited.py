"""Ratings of another motor that a rig still takes from the one it is based on."""

from __future__ import annotations

from hil.plan.source import Source, Where

#: What is chosen by a rating on the name plate, and has to be looked at when that is another.
FOLLOWS: dict[Where, tuple[Where, ...]] = {
    ("motor", "rated-voltage"): (
        ("supply", "voltage"),
        ("supply", "max-voltage"),
        ("supply", "over-voltage-limit"),
        ("limits", "dc-link-voltage"),
    ),
    ("motor", "rated-current"): (("supply", "current-limit"), ("limits", "current")),
    ("motor", "max-speed"): (("limits", "speed"),),
}


def inherited(source: Source) -> str:
    """What a rig file that states another name plate takes over from its base all the same, or "".

    It may be meant so: a bench may be good for several motors.
    """
    order = [str(file) for file in source.files]
    found: dict[str, list[str]] = {}
    for rating, others in FOLLOWS.items():
        stated = source.position(rating).file
        for other in others:
            file = source.position(other).file
            if {stated, file} <= set(order) and order.index(file) > order.index(stated):
                told = _value(source, other)
                found.setdefault(file, []).append(f"{'.'.join(map(str, other))} {told}".strip())
    return "; ".join(
        f"it rates its motor itself and takes {', '.join(those)} from {file}: meant for it?"
        for file, those in found.items()
    )


def _value(source: Source, where: Where) -> str:
    value: object = source.data
    for key in where:
        value = value.get(key, "") if isinstance(value, dict) else ""
    return str(value)
