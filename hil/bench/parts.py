"""What a bench is made of, and how it is read and brought up."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field

from hil.bench.keeper import GuardLike
from hil.bench.operator import Nobody, Operator
from hil.ports.board import Board
from hil.ports.instruments import (
    Brake,
    Encoder,
    Interlock,
    SignalSwitch,
    Supply,
    Tachometer,
    Thermometer,
)
from hil.ports.supply_commands import Settling


@dataclass(frozen=True, slots=True, kw_only=True)
class Settings:
    """How a bench is read and brought up; times in s.

    Parameters
    ----------
    poll : interval of reading board and tachometer; supply_poll : of reading the supply.
    quiet_poll : as `poll`, while nothing but time is waited for; 0 for the same.
    current_limit, over_voltage : limits given to the supply before every output-on.
    max_voltage : V, that nobody may ask the supply for more than.
    settling : when a new output voltage counts as there.
    dc_link_capacitance : F, what the output charges when it goes on.
    rest_speed : rpm below which the shaft counts as standing.
    silence : without telemetry for longer, once it has begun, the board counts as gone.
    encoder_poll, thermometer_poll : of reading these.
    keep_alive : the board is spoken to at least this often while energised; 0 for never.
    brake_delay : longest from command to torque, s.
    cool_below : degC that the thermometer must read less than before the output goes on for an
        item, None for any; cool_within : s that this may take.
    answer_within : in which a person must answer who is asked to do something.
    """

    current_limit: float
    over_voltage: float
    max_voltage: float = math.inf
    poll: float = 0.01
    quiet_poll: float = 0.0
    supply_poll: float = 0.05
    settling: Settling = Settling()  # noqa: RUF009 - frozen
    dc_link_capacitance: float = 0.0
    rest_speed: float = 5.0
    rest_time: float = 4.0
    silence: float = 0.5
    keep_alive: float = 0.0
    answer_within: float = 60.0
    encoder_poll: float = 0.05
    thermometer_poll: float = 0.5
    brake_delay: float = 0.0
    cool_below: float | None = None
    cool_within: float = 0.0


@dataclass(kw_only=True, slots=True)
class Parts:
    """What a rig is made of."""

    board: Board
    supply: Supply
    tachometer: Tachometer | None = None
    brake: Brake | None = None
    switch: SignalSwitch | None = None
    interlock: Interlock | None = None
    encoder: Encoder | None = None
    thermometer: Thermometer | None = None
    guard: GuardLike | None = None  # None where the bench dies with this process
    operator: Operator = field(default_factory=Nobody)
    firmware: str = ""  # of the user's own, on a simulated board; see `SerialBoardConfig`
    on_close: list[Callable[[], None]] = field(default_factory=list)
