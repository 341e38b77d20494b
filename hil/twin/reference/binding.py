"""Making one board's worth of reference firmware."""

from __future__ import annotations

from hil.twin.port import STATE_AT, FirmwareBinding, new_block
from hil.twin.reference.settings import ReferenceSettings, load, protocol_number
from hil.twin.reference.state import STATE


def binding(protocol: str = "lines", settings: ReferenceSettings | None = None) -> FirmwareBinding:
    """Reference firmware for one simulated board, before its first power-on reset.

    Parameters
    ----------
    protocol : ``lines`` (ASCII) or ``cobs`` (binary).
    settings : defaults suit the demo pump.

    Raises
    ------
    ValueError
        If the protocol is unknown.
    """
    from hil.twin.reference import firmware  # compiles, or loads compiled code

    protocol_number(protocol)
    chosen = settings or ReferenceSettings()
    block = new_block(STATE.itemsize)
    variables = block[STATE_AT : STATE_AT + STATE.itemsize].view(STATE)[0]

    def reset(pwm_hz: float) -> None:
        load(variables, chosen, protocol, pwm_hz)

    return FirmwareBinding(
        name=f"reference firmware {chosen.version} ({protocol})",
        period=firmware.period.address,
        receive=firmware.receive.address,
        transmit=firmware.transmit.address,
        block=block,
        reset=reset,
    )
