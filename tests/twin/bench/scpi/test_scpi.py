"""Headers, message units and what is refused."""

from __future__ import annotations

import pytest

from hil.twin.instruments.brake import SimulatedBrake
from hil.twin.instruments.supply import SimulatedSupply
from hil.twin.instruments.switch import SimulatedSwitch
from hil.twin.instruments.tachometer import SimulatedTachometer
from hil.twin.scpi import CommandTree, ScpiError, short_form, split


def tree_with(*patterns: str) -> CommandTree:
    tree = CommandTree()
    for pattern in patterns:
        tree.add(pattern, lambda *_: None)
    return tree


def found(tree: CommandTree, unit: str, path: tuple[str, ...] = ()) -> str:
    return tree.find(unit, path)[0].pattern


VOLTAGE = "[SOURce:]VOLTage[:LEVel][:IMMediate][:AMPLitude]"


@pytest.mark.parametrize(
    "header",
    [
        "VOLT",
        "volt",
        "VoLtAgE",
        ":VOLT",
        "SOUR:VOLT",
        "SOURCE:VOLTAGE",
        "SOURce:VOLT:LEV",
        "VOLT:LEV:IMM:AMPL",
        "VOLT:AMPL",
        "VOLT:IMM",
        "SOUR:VOLTAGE:IMMEDIATE:AMPL",
        "VOLT1",
        "SOUR1:VOLT1:LEV1",
    ],
)
def test_short_long_optional_and_case(header: str) -> None:
    # Q17 (V-D) short and long forms; Q18 (V-D) letter case; Q19 (V-D) optional nodes
    assert found(tree_with(VOLTAGE), f"{header} 24") == VOLTAGE


@pytest.mark.parametrize("header", ["VOLTA", "VOLTAG", "VOL", "SOURC:VOLT", "VOLT:LEVE", "LEV"])
def test_nothing_between_short_and_long_form(header: str) -> None:
    # Q17: nothing between the two forms is legal (M)
    with pytest.raises(ScpiError) as caught:
        tree_with(VOLTAGE).find(f"{header} 1", ())
    assert caught.value.code == -113


@pytest.mark.parametrize(
    ("unit", "code"),
    [
        ("NONSENSE", -113),
        ("VOLT?", -113),  # only the command exists, not the query
        ("*XYZ", -113),
        ("VOLT2 1", -114),
        ("VOLT:LEV0 1", -114),
        ("VOLT::LEV 1", -102),
        ("VOLT: 1", -102),
        (":", -102),
        ("", -102),
        ("  ", -102),
        ("VO%T 1", -101),
        ("VOLT,1", -101),
        ("*", -102),
        ("*ID%?", -101),
        ("VOLT?1", -111),
        ("ABCDEFGHIJKLM 1", -112),
        ("\u00b5V 1", -101),
    ],
)
def test_wrong_headers(unit: str, code: int) -> None:
    # Q8 (V-D): numbers of the command errors
    with pytest.raises(ScpiError) as caught:
        tree_with(VOLTAGE).find(unit, ())
    assert caught.value.code == code


def test_next_header_continues_at_the_same_level() -> None:
    # Q18 (V-D): ';' next unit, ':' back to the root
    tree = tree_with("SOURce:VOLTage", "SOURce:CURRent", "OUTPut[:STATe]", "*CLS")
    _, _, path = tree.find("SOUR:VOLT 1", ())
    assert found(tree, "CURR 2", path) == "SOURce:CURRent"
    with pytest.raises(ScpiError):
        tree.find("OUTP ON", path)
    assert found(tree, ":OUTP ON", path) == "OUTPut[:STATe]"
    _, _, after_common = tree.find("*CLS", path)
    assert after_common == path


def test_parameters_are_left_as_text() -> None:
    _, text, _ = tree_with(VOLTAGE).find("  VOLT \t 24 V , 3", ())
    assert text.strip() == "24 V , 3"


def test_a_header_is_added_once() -> None:
    tree = tree_with(VOLTAGE)
    with pytest.raises(ValueError, match="exists already"):
        tree.add(VOLTAGE, lambda: None)
    with pytest.raises(ValueError, match="exists already"):
        tree_with(VOLTAGE, "VOLTage").find("VOLT", ())
    tree.add("VOLTage?", lambda: "1")  # the query is another header
    assert found(tree, "VOLT?") == "VOLTage?"


def test_instruments_of_one_kind_share_their_headers_and_nothing_else() -> None:
    trees = [CommandTree() for _ in range(3)]
    for number, tree in enumerate(trees):
        tree.add("VOLTage?", lambda number=number: str(number))
    trees[2].add("CURRent?", lambda: "9")
    for number, tree in enumerate(trees):
        for unit in ("VOLT?", "VOLTAGE?", "VOLT?"):
            assert tree.find(unit, ())[0].run() == str(number)
    assert trees[2].find("CURR?", ())[0].run() == "9"
    for tree in trees[:2]:
        with pytest.raises(ScpiError):
            tree.find("CURR?", ())


def test_a_header_added_later_is_found() -> None:
    tree = tree_with("VOLTage?")
    with pytest.raises(ScpiError):
        tree.find("CURR?", ())
    tree.add("CURRent?", lambda: "1")
    assert found(tree, "CURR?") == "CURRent?"


def test_two_words_cannot_share_a_short_form() -> None:
    with pytest.raises(ValueError, match="short form"):
        tree_with("VOLTage", "VOLTmeter").find("VOLT", ())


def rule(word: str) -> str:
    """Short form by the rule of SCPI-1999 volume 1, 6.2.1 (Q17, V-D)."""
    if len(word) <= 4:
        return word.upper()
    return (word[:3] if word[3].lower() in "aeiou" else word[:4]).upper()


@pytest.mark.parametrize(
    ("word", "short"),
    [
        # examples listed in Q17
        ("IMMediate", "IMM"),
        ("FORMat", "FORM"),
        ("DELay", "DEL"),
        ("OUTPut", "OUTP"),
        ("TIMer", "TIM"),
        ("POWer", "POW"),
        ("ATTenuation", "ATT"),
        ("VOLTage", "VOLT"),
        ("CURRent", "CURR"),
        ("PROTection", "PROT"),
        ("MEASure", "MEAS"),
        ("SOURce", "SOUR"),
    ],
)
def test_short_forms_of_the_standard(word: str, short: str) -> None:
    assert short_form(word) == short == rule(word)


def test_every_word_of_every_instrument_follows_the_rule(drive) -> None:
    instruments = (
        SimulatedSupply(drive),
        SimulatedTachometer(drive),
        SimulatedBrake(drive),
        SimulatedSwitch(drive),
    )
    checked = set()
    for instrument in instruments:
        for pattern in instrument.tree.patterns:
            if pattern.startswith("*"):
                continue
            for word in pattern.replace("[", ":").replace("]", ":").rstrip("?").split(":"):
                if word:
                    assert short_form(word) == rule(word), f"{word} in {pattern}"
                    checked.add(word)
    # the standard's own exceptions would be listed here; none is used
    assert {"VOLTage", "TINTerval", "QUEStionable", "TRIPped"} <= checked


def test_split_respects_strings_lists_and_blocks() -> None:
    assert split("a;b;;c", ";") == ["a", "b", "", "c"]
    assert split("a 'x;y';b \"p;q\"", ";") == ["a 'x;y'", 'b "p;q"']
    assert split("(@1,2),3", ",") == ["(@1,2)", "3"]
    assert split("d #15ab;cd;e", ";") == ["d #15ab;cd", "e"]
    assert split("d #0ab;cd", ";") == ["d #0ab;cd"]
    assert split("'it''s;',2", ",") == ["'it''s;'", "2"]


@pytest.mark.parametrize(
    ("text", "code"),
    [
        ("'abc", -151),
        ('"', -151),
        ("(@1", -171),
        ("a)", -171),
        ("((1)", -171),
        ("#19ab", -161),
        ("#3ab", -161),
        ("#2x1a", -161),
    ],
)
def test_what_does_not_end(text: str, code: int) -> None:
    with pytest.raises(ScpiError) as caught:
        split(text, ";")
    assert caught.value.code == code
