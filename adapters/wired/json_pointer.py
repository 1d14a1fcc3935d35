"""JSON Pointer (RFC 6901): one value out of a JSON document."""

from __future__ import annotations


def value_at(document: object, pointer: str) -> object:
    """Follow a pointer.

    Parameters
    ----------
    document
        What a JSON text holds.
    pointer
        ``""`` for the whole, or ``/`` before each key or index, in which ``~1`` stands for ``/``
        and ``~0`` for ``~``.

    Returns
    -------
    object
        The value it leads to.

    Raises
    ------
    LookupError
        If it leads nowhere; the text says where it ends.
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
    """Whether it is an index as section 4 has it: digits without a leading zero."""
    return key.isascii() and key.isdigit() and (key == "0" or not key.startswith("0"))
