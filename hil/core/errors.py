"""The one error tree, split by whose fault it is.

HilError
├── PlanError         a file the user wrote (plan, rig, link profile)
├── ScenarioError     a scenario written in Python asks for what cannot be
│   └── NotOffered        ... for what the board or bench of the rig has not
├── BenchError        the bench: not found, busy, interlock, refused as unsafe
│   ├── LinkError         the serial link to the board (LinkTimeout is also a TimeoutError)
│   │   └── CommandRefused    the board understood a command and said no
│   └── InstrumentError   a VISA instrument (InstrumentTimeout is also a TimeoutError)
├── FirmwareError     the firmware under test did something a bench must not tolerate
│   └── ProfileMisfit     what it says does not fit its link profile: either may be wrong
├── StoreError        a run folder is unreadable, incomplete or altered
└── HarnessError      ours: a defect of this project

A failed pass band is a verdict, never an exception. Drivers convert every library error into this
tree and keep the cause.
"""

from __future__ import annotations


class HilError(Exception):
    """Base of all errors that this project raises on purpose."""


class PlanError(HilError):
    """A file the user wrote is wrong.

    The message names ``file:line:column``, the field, what was found and what was expected.
    """

    def __init__(
        self, message: str, *, file: str = "", line: int | None = None, column: int | None = None
    ) -> None:
        self.file, self.line, self.column = file, line, column
        place = ":".join(str(part) for part in (file, line, column) if part not in ("", None))
        super().__init__(f"{place}: {message}" if place else message)


class ScenarioError(HilError):
    """A mistake in a scenario written in Python: a word that is none, a value beyond the rig.

    The message names the field, what was expected and what was found.
    """


class NotOffered(ScenarioError):
    """A scenario asks for what the board or bench of its rig has not; elsewhere it may run."""


class BenchError(HilError):
    """The bench is at fault: not found, busy, interlock open, or a manoeuvre refused as unsafe."""


class LinkError(BenchError):
    """The serial link failed, or the board refused or garbled a message."""


class LinkTimeout(LinkError, TimeoutError):
    """The board did not answer in time."""


class CommandRefused(LinkError):
    """The board understood a command and refused it; a scenario blames the firmware for that."""


class InstrumentError(BenchError):
    """A VISA instrument failed, refused a value or reads back something else than was set."""


class InstrumentTimeout(InstrumentError, TimeoutError):
    """An instrument did not answer in time."""


class FirmwareError(HilError):
    """The firmware under test did something that ends the item with a verdict about it.

    `whose` says in front of the message whose doing it is.
    """

    whose = "firmware"


class ProfileMisfit(FirmwareError):
    """Simulated firmware and its link profile do not fit: nothing else can be, but either can."""

    whose = "firmware or link profile"


class StoreError(HilError):
    """A run folder cannot be read, is incomplete or was altered."""


class HarnessError(HilError):
    """A defect of this project, not of the bench or the firmware."""
