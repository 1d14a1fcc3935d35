"""What a broker refuses, and why, in words for the person who must do something.

Knows errors and MQTT reason codes as numbers; imports no MQTT library.
"""

from __future__ import annotations

import socket
import ssl

from config.files.errors import LullwattError

UNANSWERED_OVER_TLS = (
    "the broker ended the connection before it answered; over TLS that is how it refuses whoever "
    "shows no certificate, or one that it does not accept"
)

TAKEN_OVER = 142
UNSUPPORTED_PROTOCOL = 132
NOBODY_LISTENS = 16

# Reason codes of MQTT 5 (OASIS, section 2.4); those of 3.1.1 are mapped to them.
_REFUSED = {
    133: "the broker refused the client id",
    134: "the broker refused the user name or password",
    135: "the broker refused the user name or password",
    136: "the broker is not available",
    137: "the broker is busy",
    138: "the broker has banned this client",
    149: "the broker finds the messages too large",
    159: "the broker finds that connections come too often",
}
_ENDED = {
    139: "the broker is shutting down",
    141: "the broker fell silent",
    TAKEN_OVER: "another client has connected with the same client id",
}

_NOT_TAKEN = {
    135: "its access list does not allow it",
    144: "it does not accept the topic's name",
    151: "a limit on what it keeps is reached",
}


def why_unreachable(error: Exception, address: str) -> str:
    """Say why no connection to `address` could be opened.

    Parameters
    ----------
    error
        What opening it raised.
    address
        Host and port, as people write them.

    Returns
    -------
    str
        One line without a full stop.
    """
    match error:
        case ConnectionRefusedError():
            why = f"nothing listens at {address}"
        case socket.gaierror() | UnicodeError():
            why = f"the host of {address} is not known"
        case TimeoutError():
            why = f"{address} does not answer"
        case ssl.SSLCertVerificationError():
            why = f"the certificate of {address} is not trusted: {error.verify_message}"
        case LullwattError():
            why = str(error)
        case _:
            why = f"no connection to {address}: {getattr(error, 'strerror', None) or error}"
    return why


def why_refused(code: int, text: str) -> str:
    """Say why the broker refused the connection, from its MQTT 5 reason code."""
    return _REFUSED.get(code, f"the broker refused the connection: {text.lower()}")


def why_ended(code: int, text: str, *, by_broker: bool) -> str:
    """Say why an open connection ended, from its MQTT 5 reason code."""
    if code in _ENDED:
        return _ENDED[code]
    if by_broker:
        return f"the broker closed the connection: {text.lower()}"
    return "the connection to the broker was lost"


def why_not_taken(code: int, text: str) -> str:
    """Say why the broker took a message for nothing, from its MQTT 5 reason code."""
    return _NOT_TAKEN.get(code, text.lower())
