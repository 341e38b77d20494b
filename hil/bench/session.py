"""A bench over a whole run: opened when it is needed, reopened after trouble, always the same one.

session = Session(rig, choice, seed="1", ...)
bench = session.open("item")
session.let_go_after(problem)       # trouble with a link or an instrument: reopen next time
session.close()
"""

from __future__ import annotations

import contextlib
from collections.abc import Callable

from hil.bench.bench import Bench
from hil.bench.choose import Choice
from hil.bench.coming_up import Overload
from hil.bench.cooling import StillHot
from hil.bench.keeper import InterlockOpen
from hil.bench.limits import LimitExceeded
from hil.bench.observe import Observer
from hil.bench.open import Guarding, open_bench
from hil.bench.operator import Operator, OperatorStop
from hil.bench.supply_watch import ProtectionTripped
from hil.core.errors import BenchError, FirmwareError, HilError, InstrumentError, LinkError
from hil.core.record import UNSAFE, Identity
from hil.drivers.serial_board import ByteLog
from hil.plan.rig import Rig
from hil.ports.clock import Clock, WallClock

#: After trouble the hardware is given this long to come back, in attempts this far apart, s.
RECONNECT, ATTEMPT_EVERY = 6.0, 0.5


def same_device(one: Identity, other: Identity) -> bool:
    """Whether two answers come from one device in one state, whatever port it was found at."""
    return (one.role, one.model, one.serial, one.revision) == (
        other.role,
        other.model,
        other.serial,
        other.revision,
    )


class Session:
    """See the module text.

    Parameters
    ----------
    seed : of the run; each item of a simulated bench gets its own from it.
    guarding : hardware: what the guard process is given, asked for when the bench is opened.
    note : told what is worth keeping in the record, with a level.

    Attributes
    ----------
    dead : why the bench cannot be used any more, or "".
    unsafe : what went wrong while the bench was made safe: a person has to look at it.
    untidy : what went wrong while a bench that was safe, or as safe as could be, was let go.
    left_unsafe : whether that was so the last time, with nothing opened in order since.
    left_to_guard : whether a guard was left behind then, to go on switching off.
    """

    def __init__(
        self,
        rig: Rig,
        choice: Choice,
        *,
        seed: str,
        observer: Observer | None = None,
        log: ByteLog | None = None,
        guarding: Callable[[], Guarding] | None = None,
        note: Callable[[str, str], None] = lambda _text, _level: None,
        clock: Clock | None = None,
        operator: Operator | None = None,
    ) -> None:
        self.rig, self.choice = rig, choice
        self._seed, self._observer, self._log = seed, observer, log
        self._guarding, self._note, self._operator = guarding, note, operator
        self._clock = clock or WallClock()
        self.bench: Bench | None = None
        self.identities: tuple[Identity, ...] = ()
        self.identities_at_end: tuple[Identity, ...] = ()
        self.dead = ""
        self.unsafe: list[str] = []
        self.untidy: list[str] = []
        self.left_unsafe = self.left_to_guard = False
        self._troubled = ""  # what the bench was let go for
        self._limit: tuple[float, str] | None = None
        self._held = list(choice.held)  # in error queues, not told yet

    def open(self, item: str) -> Bench:
        """The opened bench, opened again if it was let go.

        Raises
        ------
        BenchError
            If it cannot be opened or is another than the run began with; then, or before, `dead`.
        FirmwareError
            If simulated firmware fails before it has said who it is.
        """
        if self.dead:
            raise BenchError(self.dead)
        if self.bench is None:
            try:
                self.bench = self._open_patiently(item)
                self._check_identities(self.bench.identities())
            except FirmwareError:
                self.close(ask=False)  # the bench is in order, and the next item may do better
                raise
            except HilError as error:
                self.close(ask=False)
                again = f" again after {self._troubled}" if self._troubled else ""
                self.dead = f"the bench could not be opened{again}: {error}"
                raise
            self._troubled, self.left_unsafe, self.left_to_guard = "", False, False
            self._tell_limit()
            self.tell_held()
        return self.bench

    def set_limit(self, seconds: float | None, why: str = "") -> None:
        """Say why the run may be ended from outside in `seconds` or later; None: not any more."""
        self._limit = None if seconds is None else (self._clock.now() + seconds, why)
        self._tell_limit()

    def _tell_limit(self) -> None:
        if self.bench is not None:
            at, why = self._limit or (None, "")
            self.bench.keeper.limit(None if at is None else at - self._clock.now(), why)

    def tell_held(self) -> None:
        """Note what stood in error queues when the bench was opened, or when that was tried."""
        held, self._held = dict.fromkeys(self._held), []
        for text in held:
            self._note(text, "warning")

    def _open_patiently(self, item: str) -> Bench:
        """Once; after trouble with hardware for `RECONNECT` seconds."""
        begun, attempts = self._clock.now(), 0
        while True:
            attempts += 1
            try:
                bench = self._open_once(item)
            except BenchError:
                over = self._clock.now() - begun + ATTEMPT_EVERY > RECONNECT
                if self.choice.simulated or not self._troubled or over:
                    raise
                self._clock.sleep(ATTEMPT_EVERY)
                continue
            if self._troubled and not self.choice.simulated:
                took = self._clock.now() - begun
                self._note(f"reconnected after {took:.1f} s, attempt {attempts}", "warning")
            return bench

    def _open_once(self, item: str) -> Bench:
        return open_bench(
            self.rig,
            self.choice.simulated,
            self.choice.resources,
            seed=f"{self._seed}/{item}",
            observer=self._observer,
            log=self._log,
            guarding=self._guarding() if self._guarding is not None else None,
            operator=self._operator,
            held=self._held,
        )

    def _check_identities(self, found: tuple[Identity, ...]) -> None:
        """Keep who is there; a run goes on only with the devices and the firmware it began with."""
        if not self.identities:
            self.identities = found
        for before, now in zip(self.identities, found, strict=True):
            if not same_device(before, now):
                raise BenchError(
                    f"the {before.role} answers as {now}, but the run began with {before}"
                )

    def let_go_after(self, problem: BaseException | None) -> None:
        """After trouble with a link or an instrument, or an item cut short, let go of the bench.

        It is opened again when it is next needed, if that is possible within `RECONNECT` seconds.
        After an open interlock, an overload at output-on, a limit that ends the run or a protection
        of the supply that tripped, both on hardware, parts that stay hot, or a person who stopped
        it, it is not: a person has to look first.
        """
        fatal = (
            isinstance(problem, LimitExceeded)
            and problem.what in self.rig.limits.end_run
            and not self.choice.simulated
        )
        cut_short = problem is not None and not isinstance(problem, Exception)
        tripped = isinstance(problem, ProtectionTripped) and not self.choice.simulated
        looked_at = InterlockOpen | OperatorStop | Overload | StillHot
        if fatal or tripped or isinstance(problem, looked_at):
            self.dead = str(problem)
            self.close(ask=False)
        elif cut_short or isinstance(problem, LinkError | InstrumentError):
            self._troubled = " ".join(str(problem).split()) or type(problem).__name__
            self.close(ask=False)

    def close(self, *, ask: bool = True) -> None:
        """Make safe, ask once more who is there, and let go of everything."""
        if self.bench is None:
            return
        bench, self.bench = self.bench, None
        unsafe = list(dict.fromkeys(bench.make_safe()))
        if ask and not unsafe:
            with contextlib.suppress(HilError):
                self.identities_at_end = bench.identities()
        self.left_unsafe = bench.energised
        for problem in unsafe:
            self.unsafe.append(problem)
            self._note(problem, UNSAFE)
        for problem in bench.release():
            self.untidy.append(problem)
            self._note(problem, "warning")
        self.left_to_guard = bench.keeper.left_to_guard

    def changed(self) -> str:
        """Which device, or its firmware, is another at the end than it was at the start; or ""."""
        after = {who.role: who for who in self.identities_at_end}
        for before in self.identities:
            now = after.get(before.role, before)
            if not same_device(before, now):
                return f"the {before.role} answers as {now}, but the run began with {before}"
        return ""
