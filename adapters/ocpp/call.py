"""Asks equipment one thing over OCPP 1.6, and says in a few words how it was refused."""

from __future__ import annotations

import asyncio
from typing import Final, Protocol

from ocpp.exceptions import OCPPError, ValidationError
from ocpp.v16 import call
from ocpp.v16.enums import MessageTrigger
from websockets.exceptions import ConnectionClosed

from adapters.ocpp.meter import CURRENT, POWER, REGISTER, SOC

ACCEPTED: Final = frozenset({"Accepted", "RebootRequired"})
SAMPLE_SECONDS: Final = "60"
SAMPLED: Final = (f"{REGISTER},{POWER},{CURRENT},{SOC}", f"{REGISTER},{POWER}", REGISTER)
"""What is to be sampled; where a list is refused, the next one."""


class Asked(Protocol):
    """Equipment that can be asked."""

    async def call(self, payload: object, *, suppress: bool) -> object:
        """Send a message and return the answer to it."""
        ...


async def ask(equipment: Asked, message: object) -> str | None:
    """Ask equipment, and wait for its answer.

    Parameters
    ----------
    equipment
        Its session.
    message
        One of `ocpp.v16.call`.

    Returns
    -------
    str or None
        Why it was refused; None if it was not.

    Raises
    ------
    ConnectionClosed
        If the connection has ended.
    """
    try:
        answer = await equipment.call(message, suppress=False)
    except TimeoutError:
        return "no answer in time"
    except ConnectionClosed:
        raise
    except OCPPError as error:
        return f"{error.code}: {error.description or 'no reason given'}"[:200]
    except Exception as error:  # noqa: BLE001 - whatever the answer was, it was none
        known = isinstance(error, ValidationError)
        return f"an answer that is none ({error})"[:200] if known else "an answer that is none"
    status = str(getattr(answer, "status", None))
    return None if status in ACCEPTED else status[:200]


async def introduce(equipment: Asked, connector: int) -> bool:
    """Ask for the present state; equipment that can't be triggered tells it in its own time.

    Parameters
    ----------
    equipment
        Its session.
    connector
        The number of its connector.

    Returns
    -------
    bool
        Whether meter values are to come.
    """
    await ask(equipment, call.TriggerMessage(MessageTrigger.status_notification, connector))
    return await ask(equipment, call.TriggerMessage(MessageTrigger.meter_values, connector)) is None


async def set_up(equipment: Asked) -> None:
    """Ask for samples once a minute, of what is of use here; a refusal does no harm."""
    await ask(equipment, call.ChangeConfiguration("MeterValueSampleInterval", SAMPLE_SECONDS))
    for sampled in SAMPLED:
        if (
            await ask(equipment, call.ChangeConfiguration("MeterValuesSampledData", sampled))
            is None
        ):
            return


def say(message: object) -> str:
    """Name a message."""
    return type(message).__name__


async def pause(event: asyncio.Event, seconds: float) -> bool:
    """Wait, and tell whether the event came first."""
    try:
        await asyncio.wait_for(event.wait(), seconds)
    except TimeoutError:
        return False
    return True
