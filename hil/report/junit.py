"""A run as JUnit XML that both common schemas accept.

Only a ``fail`` becomes a ``failure``: that word blames what was tested. A bench fault, an undecided
or an interrupted item is an ``error`` with its own type, an item that was not run is ``skipped``.
"""

from __future__ import annotations

import re
import xml.etree.ElementTree as ET

from hil.core.record import ItemResult, to_check
from hil.report.items import Item, Standing, listing
from hil.report.omitted import omitted_lines
from hil.store.reading import RunRecord

#: Longest ``system-out`` in bytes; some servers refuse more.
LONGEST_OUTPUT = 64 * 1024
_LONGEST_MESSAGE = 500
_CUT = "\n[cut: the whole text is in record.jsonl and report.html]"

#: What XML 1.0 has no way to write, and what displays take for commands (C0, C1, surrogates).
_UNWANTED = re.compile("[\x00-\x08\x0b-\x1f\x7f-\x9f\ud800-\udfff\ufffe\uffff]")
_ERROR_TYPES = {
    Standing.BENCH_FAULT: "BenchFault",
    Standing.INTERRUPTED: "Interrupted",
    Standing.UNDECIDED: "Undecided",
}


def junit_xml(record: RunRecord) -> bytes:
    """The whole document in UTF-8, root element ``testsuite``; equal records give equal bytes."""
    from junit_xml import TestSuite

    items = listing(record)
    suite = TestSuite(
        _line(record.start.rig) or "rig",
        [_case(item, name) for item, name in zip(items, _names(items), strict=True)],
        hostname=_line(record.start.host.get("machine", "")) or "localhost",
        timestamp=record.start.utc[:19],  # the schema allows neither zone nor fraction
        properties=_properties(record),
        stdout=_clip(_summary(record, items)),
        stderr=_clip("\n".join(_unsafe(record))) or None,
    )
    root = suite.build_xml_doc()
    _conform(root, items)
    ET.indent(root)
    text: bytes = ET.tostring(root, encoding="utf-8", xml_declaration=True)
    return text + b"\n"


def _names(items: tuple[Item, ...]) -> list[str]:
    """Names that stay apart once what XML cannot hold is gone; servers drop duplicates."""
    names: list[str] = []
    taken: set[str] = set()
    for item in items:
        name = base = _line(item.name) or "item"
        number = 1
        while name in taken:
            number += 1
            name = f"{base} ({number})"
        taken.add(name)
        names.append(name)
    return names


def _case(item: Item, name: str) -> object:
    from junit_xml import TestCase

    case = TestCase(name, _class_name(item))
    message = f"{item.standing}: {_line(item.reason)}"[:_LONGEST_MESSAGE]
    details = _clip(_details(item))
    if item.standing is Standing.FAIL:
        case.add_failure_info(message, details, "Fail")
    elif item.standing is Standing.NOT_RUN:
        case.add_skipped_info(message)
    elif item.standing in _ERROR_TYPES:
        case.add_error_info(message, details, _ERROR_TYPES[item.standing])
    return case


def _conform(root: ET.Element, items: tuple[Item, ...]) -> None:
    """Bring what the library writes into the form that both schemas accept."""
    root.attrib.pop("disabled", None)  # its attribute, in neither schema
    root.set("time", f"{sum(_duration(item) for item in items):.3f}")
    for case, item in zip(root.iter("testcase"), items, strict=True):
        case.set("time", f"{_duration(item):.3f}")  # left out by the library when it is zero
    children = list(root)
    for child in children:
        root.remove(child)
    for name in ("properties", "testcase", "system-out", "system-err"):
        found = [child for child in children if child.tag == name]
        root.extend(found or ([] if name == "testcase" else [ET.Element(name)]))


def _class_name(item: Item) -> str:
    result = item.result
    if result is None:
        return "hil"
    words = [re.sub(r"[^A-Za-z0-9_-]+", "-", part) for part in (result.plan, result.scenario)]
    return ".".join(["hil", *(word.strip("-") for word in words if word.strip("-"))])


def _duration(item: Item) -> float:
    return max(0.0, item.result.duration) if item.result else 0.0


def _properties(record: RunRecord) -> dict[str, str]:
    start = record.start
    pairs = {
        "run": start.run,
        "evidence": "SIMULATED" if start.simulated else "bench",
        "bench": start.bench,
        "rig": start.rig,
        "seed": str(start.seed),
    }
    if times := [part.utc for part in record.resumed]:
        pairs["resumed"] = f"{len(times)} time{'s' * (len(times) > 1)}: {', '.join(times)}"
    if omitted := _omitted(record):
        pairs["not-in-this-run"] = "; ".join(omitted)
    for identity in start.identities:
        pairs.setdefault(f"identity.{identity.role}", str(identity))
    return {name: _line(value) for name, value in pairs.items()}


def _summary(record: RunRecord, items: tuple[Item, ...]) -> str:
    stamp = ["SIMULATED: no motor turned."] if record.start.simulated else []
    lines = [f"{item.standing:<12} {item.name}: {_line(item.reason)}" for item in items]
    head = [*_unsafe(record), *stamp, _line(record.start.bench), *_omitted(record)]
    return "\n".join([*head, *lines])


def _omitted(record: RunRecord) -> list[str]:
    start = record.start
    return [_line(line) for line in omitted_lines(start.omitted, len(start.items))]


def _unsafe(record: RunRecord) -> list[str]:
    return to_check(map(_line, record.unsafe))


def _details(item: Item) -> str:
    lines = [item.reason]
    if item.result is not None:
        lines += _judged(item.result)
    return "\n".join(lines)


def _judged(result: ItemResult) -> list[str]:
    lines = [f"{name}: {value}" for name, value in result.conditions.items()]
    for judgement in result.judgements:
        where = f" (repeat {judgement.repeat})" if judgement.repeat else ""
        lines.append(f"{judgement.verdict}: {judgement.reason}{where}")
    return lines


def _line(text: str) -> str:
    """One line of printable text."""
    return " ".join(_UNWANTED.sub("", text).split())


def _clip(text: str) -> str:
    """Printable text of at most `LONGEST_OUTPUT` bytes."""
    clean = _UNWANTED.sub("", text)
    raw = clean.encode("utf-8")
    if len(raw) <= LONGEST_OUTPUT:
        return clean
    return raw[: LONGEST_OUTPUT - len(_CUT)].decode("utf-8", "ignore") + _CUT
