"""From a command to what hardware with words of its own is told. Opens no connection."""

from __future__ import annotations

import json
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Final

from adapters.contract.messages import Command
from config.household.wiring import PLACEHOLDERS, Saying, Telling

_BRACED: Final = re.compile(r"\{(" + "|".join(PLACEHOLDERS) + r")\}")

Value = float | int | str


@dataclass(frozen=True)
class OutgoingMessage:
    """One message as it goes out."""

    topic: str
    payload: bytes
    qos: int
    retain: bool


def command_messages(
    telling: Telling, command: Command, now: datetime, watts_per_amp: float
) -> list[OutgoingMessage]:
    """Say a command in the hardware's own words.

    Parameters
    ----------
    telling
        The charge point's wiring.
    command
        What it is told.
    now
        When it is told; a start that is void by then is said as a stop.
    watts_per_amp
        Power of each ampere [W]: phases times volts.

    Returns
    -------
    list of OutgoingMessage
        In the order in which they go out: a current before the start that it is for.
    """
    if command.do == "stop" or command.amps is None or command.valid_until <= now:
        return [_wire(telling.stop, {"serial": command.serial})]
    values: dict[str, Value] = {
        "amps": _plain(command.amps),
        "watts": round(command.amps * watts_per_amp),
        "valid_until": command.valid_until.isoformat(timespec="seconds").replace("+00:00", "Z"),
        "seconds": int((command.valid_until - now).total_seconds()),
        "serial": command.serial,
    }
    said = [telling.start] if telling.current is None else [telling.current, telling.start]
    return [_wire(saying, values) for saying in said]


def stop_message(telling: Telling) -> OutgoingMessage:
    """Say the stop that is left with the broker, as the Will of a connection of its own."""
    return _wire(telling.stop, {"serial": 0})


def _wire(saying: Saying, values: Mapping[str, Value]) -> OutgoingMessage:
    if saying.text is not None:
        payload = _BRACED.sub(lambda found: str(values[found[1]]), saying.text)
    else:
        payload = json.dumps(_filled(saying.object, values), separators=(",", ":"))
    return OutgoingMessage(saying.topic, payload.encode(), saying.qos, saying.retain)


def _filled(value: object, values: Mapping[str, Value]) -> object:
    if isinstance(value, str):
        whole = _BRACED.fullmatch(value)
        if whole:
            return values[whole[1]]
        return _BRACED.sub(lambda found: str(values[found[1]]), value)
    if isinstance(value, Mapping):
        return {key: _filled(inner, values) for key, inner in value.items()}
    if isinstance(value, Sequence):
        return [_filled(inner, values) for inner in value]
    return value


def _plain(amps: float) -> float | int:
    """Write whole amperes without a fraction: some hardware reads nothing else."""
    return int(amps) if amps == int(amps) else round(amps, 3)
