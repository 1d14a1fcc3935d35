"""Take one value out of a JSON document by a JSON Pointer (RFC 6901)."""

from __future__ import annotations


def value_at(document: object, pointer: str) -> object:
    """Return the value that a pointer leads to.

    Parameters
    ----------
    document
        The parsed JSON.
    pointer
        ``""`` for the whole document, or ``/`` before each key or index, with ``/`` written as
        ``~1`` and ``~`` as ``~0``.

    Returns
    -------
    object
        The value.

    Raises
    ------
    LookupError
        If there is no such value; the text says which key is missing.
    """
    value = document
    for raw in pointer.split("/")[1:]:
        key = raw.replace("~1", "/").replace("~0", "~")
        if isinstance(value, dict) and key in value:
            value = value[key]
        elif isinstance(value, list) and _is_index(key) and int(key) < len(value):
            value = value[int(key)]
        else:
            raise LookupError(f"nothing at {pointer}: there is no {key!r}")
    return value


def _is_index(key: str) -> bool:
    """Return whether it is an index by section 4: digits without a leading zero."""
    return key.isascii() and key.isdigit() and (key == "0" or not key.startswith("0"))
