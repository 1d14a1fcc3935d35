"""Send equipment one OCPP 1.6 request, and say in a few words why it was refused."""

from __future__ import annotations

import asyncio
from typing import TYPE_CHECKING, Final, Protocol

from ocpp.exceptions import OCPPError, ValidationError
from ocpp.v16 import call
from ocpp.v16.enums import MessageTrigger
from websockets.exceptions import ConnectionClosed

from adapters.ocpp.meter import CURRENT, EXPORT, POWER, REGISTER, SOC
from adapters.ocpp_point.abilities import KEYS

if TYPE_CHECKING:
    from collections.abc import Sequence

ACCEPTED: Final = frozenset({"Accepted", "RebootRequired"})
NO_ANSWER: Final = "no answer in time"
NEVER: Final = ("NotSupported", "NotImplemented")
"""How equipment says that it will never do this (OCPP 1.6, section 7.10; OCPP-J 1.6, 4.2.3)."""
SAMPLE_SECONDS: Final = "60"
HOME_SECONDS: Final = "10"
SAMPLED: Final = (f"{REGISTER},{POWER},{CURRENT},{SOC}", f"{REGISTER},{POWER}", REGISTER)
"""The values to sample; if equipment refuses one list, the next one is tried."""


class Callee(Protocol):
    """Equipment that answers requests."""

    async def call(
        self, payload: object, *, suppress: bool, skip_schema_validation: bool = False
    ) -> object:
        """Send a request and return its answer."""
        ...


async def ask(equipment: Callee, request: object) -> str | None:
    """Send equipment a request, and wait for its answer.

    Parameters
    ----------
    equipment
        Its session.
    request
        One of `ocpp.v16.call`.

    Returns
    -------
    str or None
        Why it was refused; None if it was not.

    Raises
    ------
    ConnectionClosed
        If the connection has ended.
    """  # noqa: DOC502 - raised below
    answer = await _answer(equipment, request)
    if isinstance(answer, str):
        return answer
    status = str(getattr(answer, "status", None))
    return None if status in ACCEPTED else status[:200]


async def ask_for(equipment: Callee, request: object) -> object | None:
    """Send equipment a request, and return its answer; None if there is none that can be read."""
    answer = await _answer(equipment, request, is_checked=False)
    return None if isinstance(answer, str) else answer


async def ask_configuration(equipment: Callee) -> list[object] | None:
    """Return what equipment says of its configuration; None if it says nothing."""
    for request in (call.GetConfiguration(list(KEYS)), call.GetConfiguration()):
        answer = await ask_for(equipment, request)
        found = getattr(answer, "configuration_key", None)
        if isinstance(found, list) and found:
            return found
    return None


async def _answer(equipment: Callee, request: object, *, is_checked: bool = True) -> object | str:
    """Return the answer, or in a few words why there is none."""
    try:
        return await equipment.call(request, suppress=False, skip_schema_validation=not is_checked)
    except TimeoutError:
        return NO_ANSWER
    except ConnectionClosed:
        raise
    except OCPPError as error:
        return f"{error.code}: {error.description or 'no reason given'}"[:200]
    except Exception as error:  # noqa: BLE001 - a malformed answer may raise anything
        known = isinstance(error, ValidationError)
        return f"a malformed answer ({error})"[:200] if known else "a malformed answer"


async def request_status(equipment: Callee, connector: int) -> bool:
    """Ask for the present status and meter values; equipment may refuse both.

    Parameters
    ----------
    equipment
        Its session.
    connector
        The number of its connector.

    Returns
    -------
    bool
        Whether equipment is about to send meter values.
    """
    await ask(equipment, call.TriggerMessage(MessageTrigger.status_notification, connector))
    return await ask(equipment, call.TriggerMessage(MessageTrigger.meter_values, connector)) is None


async def request_samples(
    equipment: Callee, *, of_home: bool = False, of_grid: bool = False
) -> None:
    """Ask for samples of power and energy once a minute; a refusal does no harm.

    Parameters
    ----------
    equipment
        Its session.
    of_home
        Whether it has a meter of the home: then for more of them, also between charges, because a
        reading of the home's load is trusted for 30 seconds.
    of_grid
        Whether that meter shows what the home gives to the grid as well.
    """
    if of_home:
        await ask(equipment, call.ChangeConfiguration("ClockAlignedDataInterval", HOME_SECONDS))
        lists = (f"{CURRENT},{POWER},{EXPORT}", f"{POWER},{EXPORT}") if of_grid else ()
        await _ask_for(equipment, "MeterValuesAlignedData", (*lists, CURRENT))
    seconds = HOME_SECONDS if of_home else SAMPLE_SECONDS
    await ask(equipment, call.ChangeConfiguration("MeterValueSampleInterval", seconds))
    await _ask_for(equipment, "MeterValuesSampledData", SAMPLED)


async def _ask_for(equipment: Callee, key: str, lists: Sequence[str]) -> None:
    """Ask for a list of values; if equipment refuses it, for the next one."""
    for values in lists:
        if await ask(equipment, call.ChangeConfiguration(key, values)) is None:
            return


async def wait_for_event(event: asyncio.Event, seconds: float) -> bool:
    """Wait for an event for so many seconds at most; return whether it came."""
    try:
        await asyncio.wait_for(event.wait(), seconds)
    except TimeoutError:
        return False
    return True
