"""Asks a running daemon for something, and waits for its answer."""

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


def ask(
    file: HouseholdFile, charge_point: str, request: Request, clock: Clock, wait_seconds: float
) -> Answer:
    """Ask, if there is a daemon to be asked.

    Parameters
    ----------
    file : HouseholdFile
        The household.
    charge_point : str
        Where.
    request : Request
        With an id.
    clock : Clock
        What time it is.
    wait_seconds : float
        How long all of it may take.

    Returns
    -------
    Answer
        To this request.

    Raises
    ------
    UnwellError
        If there is no broker, no daemon, or no answer, in one line.
    """
    with Conversation(file, "asks", ("answer",), wait_seconds) as talk:
        talk.connect()
        # Where no daemon runs, nothing is asked: it would be obeyed hours later.
        talk.find_daemon(clock.now())
        topic, answers = talk.topics.request(charge_point), talk.topics.answer(charge_point)
        talk.publish(topic, encode(request))
        talk.wait(
            lambda: (
                _mine(talk.heard(answers), request) is not None or talk.not_taken(topic) is not None
            )
        )
        answer, hindrance = _mine(talk.heard(answers), request), talk.not_taken(topic)
    if answer is not None:
        return answer
    if hindrance is not None:
        raise UnwellError(_in_words(hindrance))
    raise UnwellError(
        f"the daemon has not answered within {wait_seconds:g} s; it may still do what was asked"
    )


def _mine(payloads: list[bytes], request: Request) -> Answer | None:
    for payload in payloads:
        try:
            answer = decode(Answer, payload)
        except MalformedMessage:
            continue
        if answer.id == request.id:
            return answer
    return None


def _in_words(hindrance: Published) -> str:
    if hindrance.outcome == "refused":
        return f"the broker refuses what is published on {hindrance.topic}: {hindrance.why}"
    return f"no daemon listens on {hindrance.topic}"
