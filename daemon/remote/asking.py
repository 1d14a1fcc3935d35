"""Send a request to a running daemon, and wait for its answer."""

from __future__ import annotations

from typing import TYPE_CHECKING

from adapters.contract.messages import Answer, MalformedMessage, decode, encode
from config.files.errors import UnwellError
from daemon.remote.conversation import Conversation

if TYPE_CHECKING:
    from adapters.bus.events import Published
    from adapters.clocks.clock import Clock
    from adapters.contract.messages import Request
    from config.household.household_file import HouseholdFile


class UnansweredError(UnwellError):
    """The daemon has not answered yet; what was asked may still count."""


def ask(
    file: HouseholdFile, charge_point: str, request: Request, clock: Clock, wait_seconds: float
) -> Answer:
    """Send a request, if a daemon is running.

    Parameters
    ----------
    file : HouseholdFile
        The household.
    charge_point : str
        Name of the charge point.
    request : Request
        The request, with an id.
    clock : Clock
        Gives the current time.
    wait_seconds : float
        Longest time for the connection, and again for the answer [s].

    Returns
    -------
    Answer
        The answer to this request.

    Raises
    ------
    UnwellError
        If there is no broker, or no daemon.
    UnansweredError
        If the request was sent, and may still count.
    """
    with Conversation(file, "asks", ("answer",), wait_seconds) as talk:
        talk.connect()
        # Without a daemon, a request would wait at the broker, and be carried out hours later.
        talk.find_daemon(clock.now())
        talk.wait_from_now(wait_seconds)
        topic, answers = talk.topics.request(charge_point), talk.topics.answer(charge_point)
        talk.publish(topic, encode(request))
        talk.wait(
            lambda: (
                _answer_to(request, talk.payloads(answers)) is not None
                or talk.undelivered(topic) is not None
            )
        )
        answer = _answer_to(request, talk.payloads(answers))
        undelivered = talk.undelivered(topic)
    if answer is not None:
        return answer
    if undelivered is not None:
        raise UnwellError(_in_words(undelivered))
    raise UnansweredError(
        f"the daemon is online but has not answered in {wait_seconds:g} s; your request may still"
        " count: see `lullwatt status`"
    )


def _answer_to(request: Request, payloads: list[bytes]) -> Answer | None:
    for payload in payloads:
        try:
            answer = decode(Answer, payload)
        except MalformedMessage:
            continue
        if answer.id == request.id:
            return answer
    return None


def _in_words(undelivered: Published) -> str:
    if undelivered.outcome == "refused":
        return f"the broker refuses messages on {undelivered.topic}: {undelivered.why}"
    return f"no daemon listens on {undelivered.topic}"
