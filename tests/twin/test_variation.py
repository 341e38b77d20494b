"""How one simulated rig is made to differ from its rig file."""

from __future__ import annotations

import pickle

import pytest
from hypothesis import given
from hypothesis import strategies as st

from hil.twin.instruments.supply import SupplyRating
from hil.twin.parameters import DriveParameters
from hil.twin.reference import ReferenceSettings
from hil.twin.variation import ROOTS, Change, Variation

PLAIN = DriveParameters()


def test_nothing_changes_by_itself() -> None:
    assert Variation().applied("drive", PLAIN) is PLAIN


@pytest.mark.parametrize(
    ("how", "value", "found"), [("set", 2.5, 2.5), ("scale", 1.5, 1.8), ("add", 0.1, 1.3)]
)
def test_a_number_is_set_scaled_or_shifted(how, value, found) -> None:
    varied = Variation("", (Change("drive.motor.resistance", value, how),)).applied("drive", PLAIN)
    assert varied.motor.resistance == pytest.approx(found)
    assert PLAIN.motor.resistance == 1.2, "the original stays"
    assert varied.bridge == PLAIN.bridge


def test_one_element_of_a_tuple() -> None:
    changes = (
        Change("drive.motor.hall_error_deg.1", 2.0, "add"),
        Change("drive.motor.hall_error_deg.1", 0.5, "add"),
    )
    varied = Variation("", changes).applied("drive", PLAIN)
    assert varied.motor.hall_error_deg == (0.0, 2.5, 0.0)


def test_a_whole_tuple() -> None:
    change = Change("drive.motor.phase_order", (0, 2, 1))
    assert Variation("", (change,)).applied("drive", PLAIN).motor.phase_order == (0, 2, 1)


def test_seams_of_the_firmware_are_entries_of_a_mapping() -> None:
    changes = (
        Change("firmware.defects.speed_scale", 1.1),
        Change("firmware.drive_limit", 0.5, "scale"),
    )
    settings = Variation("fast", changes).applied("firmware", ReferenceSettings())
    assert dict(settings.defects) == {"speed_scale": 1.1}
    assert settings.drive_limit == pytest.approx(3.0)


def test_each_root_takes_its_own() -> None:
    changes = (
        Change("drive.supply.resistance", 0.2),
        Change("supply.voltage_accuracy.absolute", 0.0),
        Change("firmware.version", "2.0.0"),
    )
    variation = Variation("", changes)
    assert variation.applied("drive", PLAIN).supply.resistance == 0.2
    assert variation.applied("supply", SupplyRating()).voltage_accuracy.absolute == 0.0
    assert variation.applied("firmware", ReferenceSettings()).version == "2.0.0"


@pytest.mark.parametrize(
    ("path", "said"),
    [
        ("drive.motor.resistence", r"'resistence' is none of pole_pairs, back_emf"),
        ("drive.gearbox.ratio", r"'gearbox' is none of motor, bridge"),
        ("drive.motor.resistance.winding", r"'winding' asked of the number 1\.2"),
        ("drive.motor.hall_error_deg.3", r"'3' is none of 0, 1, 2"),
    ],
)
def test_a_path_that_leads_nowhere(path, said) -> None:
    with pytest.raises(ValueError, match=said):
        Variation("", (Change(path, 1.0),)).applied("drive", PLAIN)


def test_a_seam_cannot_be_scaled_before_it_is_set() -> None:
    variation = Variation("", (Change("firmware.defects.speed_scale", 1.1, "scale"),))
    with pytest.raises(ValueError, match="speed_scale"):
        variation.applied("firmware", ReferenceSettings())


def test_an_unknown_seam_is_refused_by_the_settings() -> None:
    variation = Variation("", (Change("firmware.defects.hum", 1.0),))
    with pytest.raises(ValueError, match="no seam is called 'hum'"):
        variation.applied("firmware", ReferenceSettings())


@pytest.mark.parametrize("path", ["motor.resistance", "drive", "drive.", "", "tachometer.rate"])
def test_a_path_begins_with_a_root(path) -> None:
    with pytest.raises(ValueError, match="drive, firmware, supply"):
        Change(path, 1.0)


def test_what_the_parameters_refuse_stays_refused() -> None:
    variation = Variation("", (Change("drive.motor.resistance", -1.0, "scale"),))
    with pytest.raises(ValueError, match="resistance must be above 0"):
        variation.applied("drive", PLAIN)


def test_words() -> None:
    changes = (Change("drive.motor.resistance", 1.07, "scale"), Change("firmware.version", "x"))
    assert str(Variation("rig 3", changes)) == (
        "rig 3: drive.motor.resistance x 1.07, firmware.version = x"
    )
    assert str(Variation()) == "as the rig file says"


@given(
    st.lists(
        st.builds(
            Change,
            st.sampled_from([f"{root}.a.b" for root in ROOTS]),
            st.one_of(st.floats(allow_nan=False), st.integers(), st.text(max_size=5)),
            st.sampled_from(["set", "scale", "add"]),
        ),
        max_size=4,
    )
)
def test_it_travels_to_another_process_unchanged(changes) -> None:
    variation = Variation("v", tuple(changes))
    assert pickle.loads(pickle.dumps(variation)) == variation
