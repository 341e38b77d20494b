"""How measures scatter between earlier runs of an index, as one start differs from the next."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping

import numpy as np

from hil.report.dossier.measured import Key
from hil.report.history import nights_of
from hil.store.index import Index
from hil.store.index.rows import SIMULATED
from hil.verdicts.moved import Scatter, scatter_between


def scatters(index: Index, rigs: Iterable[str], left_out: Collection[str]) -> Mapping[Key, Scatter]:
    """The scatter of every measure that was taken once a run in runs enough.

    Parameters
    ----------
    rigs : names of rigs; where two have the same item, what scatters more counts.
    left_out : runs that are to be compared themselves.

    Raises
    ------
    StoreError
        If the index cannot be read.
    """
    found: dict[Key, Scatter] = {}
    with index.snapshot():
        for rig in sorted(set(rigs)):
            for key, series in index.all_series(rig=rig).items():
                nights, _ = nights_of(series)
                used = ~np.isnan(nights.mean) & ~np.isin(nights.run, list(left_out))
                if np.any(nights.count[used] != 1):
                    continue
                scatter = scatter_between(nights.mean[used].tolist())
                at = Key(key.plan, key.item, key.measure, key.evidence == SIMULATED)
                known = found.get(at)
                if scatter and (known is None or scatter.deviation > known.deviation):
                    found[at] = scatter
    return found
