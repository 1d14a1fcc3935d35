"""Write a command as messages that wired hardware understands.

Opens no connection.
"""

from __future__ import annotations

import json
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Final

from adapters.contract.messages import Command
from config.files.texts import printable
from config.household.wiring import PLACEHOLDERS, OutputMessage, WiringOutputs

_BRACED: Final = re.compile(r"\{(" + "|".join(PLACEHOLDERS) + r")\}")

LONGEST_SHOWN: Final = 60

Value = float | int | str


@dataclass(frozen=True)
class OutgoingMessage:
    """One message, ready to publish."""

    topic: str
    payload: bytes
    qos: int
    retain: bool


def command_messages(
    outputs: WiringOutputs,
    command: Command,
    now: datetime,
    watts_per_amp: float,
    *,
    phases: int = 1,
) -> list[OutgoingMessage]:
    """Return the messages that carry a command.

    Parameters
    ----------
    outputs
        The charge point's wiring.
    command
        What the charge point is to do.
    now
        The present instant; a start that has expired becomes a stop.
    watts_per_amp
        Power of each ampere [W]: phases times volts.
    phases
        How many phases that is, for hardware that is told fewer.

    Returns
    -------
    list of OutgoingMessage
        In the order to publish them: the current before the start.
    """
    if command.do == "stop" or command.amps is None or command.valid_until <= now:
        return [_message(outputs.stop, {"serial": command.serial})]
    told = command.phases or phases
    values: dict[str, Value] = {
        "amps": _without_fraction(command.amps),
        "watts": round(command.amps * watts_per_amp * told / phases),
        "phases": told,
        "valid_until": command.valid_until.isoformat(timespec="seconds").replace("+00:00", "Z"),
        "seconds": int((command.valid_until - now).total_seconds()),
        "serial": command.serial,
    }
    templates = [outputs.start] if outputs.current is None else [outputs.current, outputs.start]
    return [_message(template, values) for template in templates]


def stop_message(outputs: WiringOutputs, serial: int = 0) -> OutgoingMessage:
    """Return a stop; that of a Will, or the daemon's last message, belongs to no command."""
    return _message(outputs.stop, {"serial": serial})


def plain_message(template: OutputMessage) -> OutgoingMessage:
    """Return a message without placeholders, such as a question."""
    return _message(template, {})


def shown_payload(payload: bytes) -> str:
    """Write a payload as text for people, of at most 60 characters."""
    shown = printable(payload[: 4 * LONGEST_SHOWN].decode(errors="replace"))
    cut = shown if len(shown) <= LONGEST_SHOWN else f"{shown[:LONGEST_SHOWN]}..."
    return f"`{cut}`"


def _message(template: OutputMessage, values: Mapping[str, Value]) -> OutgoingMessage:
    if template.text is not None:
        payload = _BRACED.sub(lambda found: str(values[found[1]]), template.text)
    else:
        payload = json.dumps(_filled(template.object, values), separators=(",", ":"))
    return OutgoingMessage(template.topic, payload.encode(), template.qos, template.retain)


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


def _without_fraction(amps: float) -> float | int:
    """Write whole amperes without a fraction: some hardware reads nothing else."""
    return int(amps) if amps == int(amps) else round(amps, 3)
