"""Send equipment one request, and say in a few words why it was refused."""

from __future__ import annotations

import asyncio
from collections.abc import Mapping
from typing import Final, Protocol

from ocpp.exceptions import OCPPError, ValidationError
from websockets.exceptions import ConnectionClosed

ACCEPTED: Final = frozenset({"Accepted", "RebootRequired"})
NO_ANSWER: Final = "no answer in time"
NEVER: Final = ("NotSupported", "NotImplemented")
"""How equipment says that it will never do this (OCPP 1.6, section 7.10; OCPP-J 1.6, 4.2.3)."""
_MOST_REASON: Final = 200


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
        One of the package's calls, such as those of `ocpp.v16.call`.

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
    status, more = str(getattr(answer, "status", None)), getattr(answer, "status_info", None)
    if status in ACCEPTED:
        return None
    why = f" ({more.get('reason_code')})" if isinstance(more, Mapping) else ""
    return f"{status}{why}"[:_MOST_REASON]


async def ask_for(equipment: Callee, request: object) -> object | None:
    """Send equipment a request, and return its answer; None if there is none that can be read."""
    answer = await _answer(equipment, request, is_checked=False)
    return None if isinstance(answer, str) else answer


async def answer_to(equipment: Callee, request: object) -> object | None:
    """Send equipment a request, and return its answer; None if there is none that is right."""
    answer = await _answer(equipment, request)
    return None if isinstance(answer, str) else answer


async def _answer(equipment: Callee, request: object, *, is_checked: bool = True) -> object | str:
    """Return the answer, or in a few words why there is none."""
    try:
        return await equipment.call(request, suppress=False, skip_schema_validation=not is_checked)
    except TimeoutError:
        return NO_ANSWER
    except ConnectionClosed:
        raise
    except OCPPError as error:
        return f"{error.code}: {error.description or 'no reason given'}"[:_MOST_REASON]
    except Exception as error:  # noqa: BLE001 - a malformed answer may raise anything
        known = isinstance(error, ValidationError)
        return f"a malformed answer ({error})"[:_MOST_REASON] if known else "a malformed answer"


async def wait_for_event(event: asyncio.Event, seconds: float) -> bool:
    """Wait for an event for so many seconds at most; return whether it came."""
    try:
        await asyncio.wait_for(event.wait(), seconds)
    except TimeoutError:
        return False
    return True
