"""Explain in plain words why a broker can't be reached or refuses something.

Knows MQTT reason codes as numbers; imports no MQTT library.
"""

from __future__ import annotations

import socket
import ssl

from config.files.errors import LullwattError

UNANSWERED_OVER_TLS = (
    "the broker ended the connection before it answered; over TLS that is how it refuses a client "
    "without a certificate, or with one that it does not accept"
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
    159: "the broker finds the connection attempts too frequent",
}
_ENDED = {
    139: "the broker is shutting down",
    141: "the broker stopped responding",
    TAKEN_OVER: "another client has connected with the same client id",
}

_MESSAGE_REFUSED = {
    135: "its access list does not allow it",
    144: "it does not accept the topic's name",
    151: "its limit on stored messages is reached",
}


def why_unreachable(error: Exception, address: str) -> str:
    """Explain why no connection to `address` could be opened.

    Parameters
    ----------
    error
        Raised while connecting.
    address
        Host and port as text.

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
    """Explain a refused connection by its MQTT 5 reason code."""
    return _REFUSED.get(code, f"the broker refused the connection: {text.lower()}")


def why_ended(code: int, text: str, *, by_broker: bool) -> str:
    """Explain the end of an open connection by its MQTT 5 reason code."""
    if code in _ENDED:
        return _ENDED[code]
    if by_broker:
        return f"the broker closed the connection: {text.lower()}"
    return "the connection to the broker was lost"


def why_message_refused(code: int, text: str) -> str:
    """Explain a refused message by its MQTT 5 reason code."""
    return _MESSAGE_REFUSED.get(code, text.lower())
