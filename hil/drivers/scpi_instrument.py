"""What every instrument that is reached over SCPI has in common: who it is, and being let go of."""

from __future__ import annotations

from hil.core.record import Identity
from hil.drivers.scpi import ScpiSession


class ScpiInstrument:
    """See `hil.ports.instruments.Instrument`."""

    def __init__(self, session: ScpiSession) -> None:
        self._session = session

    def identify(self) -> Identity:
        """Answer to ``*IDN?``, split."""
        return self._session.identity

    @property
    def errors_at_open(self) -> tuple[str, ...]:
        """See `hil.ports.instruments.KeptErrors`."""
        return tuple(str(entry) for entry in self._session.errors_at_open)

    def close(self) -> None:
        """Release the session; a second call does nothing. Outputs are left as they are."""
        self._session.close()
