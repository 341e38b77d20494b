"""The index of run folders in a database: to ask over many runs at once.

`open_index` opens it; what it answers with is in `rows`. It holds nothing that is not in the run
folders, and can be made from them again at any time.
"""

from hil.store.index.index import DEFAULT, Index, open_index
from hil.store.index.rows import (
    ALTERED,
    BENCH,
    PRESENT,
    SIMULATED,
    VANISHED,
    BuildRow,
    Found,
    ItemRow,
    Rebuilt,
    RunRow,
    Series,
    SeriesKey,
)

__all__ = [
    "ALTERED",
    "BENCH",
    "DEFAULT",
    "PRESENT",
    "SIMULATED",
    "VANISHED",
    "BuildRow",
    "Found",
    "Index",
    "ItemRow",
    "Rebuilt",
    "RunRow",
    "Series",
    "SeriesKey",
    "open_index",
]
