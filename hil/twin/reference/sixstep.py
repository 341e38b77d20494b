"""The six steps: which phase is high, which low, which floats, and which Hall code asks for it.

One electrical turn falls into six sectors of 60 degrees; sector 0 spans 30 to 90 electrical
degrees. Pattern k makes the most torque clockwise in sector k. Counter-clockwise, high and low
change places, which is pattern k + 3.

The tables are compiled into the machine code: `hil.twin.jit` counts this file among its sources.

======  ===========  =================  =========  ==================
sector  degrees      Hall code (ABC)    high, low  floating crosses
======  ===========  =================  =========  ==================
0       30 .. 90     101                A, B       C falling at 60
1       90 .. 150    100                A, C       B rising at 120
2       150 .. 210   110                B, C       A falling at 180
3       210 .. 270   010                B, A       C rising at 240
4       270 .. 330   011                C, A       B falling at 300
5       330 .. 30    001                C, B       A rising at 0
======  ===========  =================  =========  ==================
"""

from __future__ import annotations

import numpy as np

A, B, C = 0, 1, 2

#: Pattern -> phase that is driven high, held low, left floating.
HIGH = np.array([A, A, B, B, C, C])
LOW = np.array([B, C, C, A, A, B])
FLOATING = np.array([C, B, A, C, B, A])

#: Hall code, sensor A in bit 0 -> sector, -1 = cannot be.
HALL_TABLE = (-1, 1, 3, 2, 5, 0, 4, -1)
