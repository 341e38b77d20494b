"""The roles that instruments play on a bench: the one list of them."""

from __future__ import annotations

#: In the order in which they are opened, addressed and printed: the supply first, so that it is
#: known to be off before anything else is spoken to. `hil.ports.registry` has a port for each.
INSTRUMENTS = ("supply", "tachometer", "brake", "switch", "interlock", "encoder", "thermometer")
#: All that is opened: the board and the instruments.
ROLES = ("board", *INSTRUMENTS)
