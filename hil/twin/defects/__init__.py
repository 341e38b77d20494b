"""Seeded defects: firmware that is wrong in one way, to prove that plans catch what they claim."""

from hil.twin.defects.kinds import Defect, Seed
from hil.twin.defects.library import DEFECTS, defect, select
from hil.twin.defects.sources import Edit, Macro

__all__ = ["DEFECTS", "Defect", "Edit", "Macro", "Seed", "defect", "select"]
