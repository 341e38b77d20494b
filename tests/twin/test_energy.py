"""Adding up where the energy went."""

import pytest

from hil.twin.energy import Energies

NOTHING = dict.fromkeys(Energies.__dataclass_fields__, 0.0)


def test_everything_but_the_supply_is_accounted_for():
    energies = Energies(**NOTHING | {"supply": 10.0, "copper": 4.0, "load": 5.0, "kinetic": 0.9})
    assert energies.accounted == pytest.approx(9.9)
    assert energies.imbalance == pytest.approx(0.01)


def test_a_supply_that_took_energy_back_counts_negative():
    energies = Energies(**NOTHING | {"supply": -2.0, "pull": -2.5, "copper": 0.5})
    assert energies.imbalance == pytest.approx(0.0, abs=1e-12)


def test_nothing_is_balanced():
    assert Energies(**NOTHING).imbalance == 0
