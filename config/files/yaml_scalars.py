"""Read the scalars of YAML 1.2's core schema, and show values in messages.

Only numbers, ``true``, ``false`` and ``null`` are more than text. So ``yes``, 7:20 and dates stay
text.
"""

from __future__ import annotations

import json
import re
from typing import Final

from typing_extensions import override

_LONGEST_SHOWN = 40
_MOST_DIGITS = 30
_INTEGER = re.compile(r"[-+]?[0-9]+|0o[0-7]+|0x[0-9a-fA-F]+", re.ASCII)
_FLOAT = re.compile(r"[-+]?(\.[0-9]+|[0-9]+(\.[0-9]*)?)([eE][-+]?[0-9]+)?", re.ASCII)
_INFINITE = re.compile(r"[-+]?\.(inf|Inf|INF)|\.(nan|NaN|NAN)", re.ASCII)
_CONTROL = re.compile(r"[\x00-\x1f\x7f-\x9f\u2028\u2029\ud800-\udfff\ufffe\uffff]")
_SIGN_IN = re.compile(r"(//)[^/]*@")
_WORDS = {"true": True, "True": True, "TRUE": True, "false": False, "False": False, "FALSE": False}


class NoValue:
    """A key or a list entry without a value; no field accepts it."""

    @override
    def __repr__(self) -> str:
        return "nothing"


NO_VALUE: Final = NoValue()


def plain_value(text: str) -> object:
    """Read a scalar that has no quotes.

    Parameters
    ----------
    text : str
        The scalar.

    Returns
    -------
    object
        An int, a float, a bool, `NO_VALUE`, or the text itself. A number of more than 30 digits
        stays text: no key of ours takes one.
    """
    if text in {"", "~", "null", "Null", "NULL"}:
        return NO_VALUE
    if text in _WORDS:
        return _WORDS[text]
    if len(text) > _MOST_DIGITS:
        return text
    if _INTEGER.fullmatch(text):
        base = {"0o": 8, "0x": 16}.get(text[:2])
        return int(text) if base is None else int(text[2:], base)
    if _FLOAT.fullmatch(text) or _INFINITE.fullmatch(text):
        return float(text.lower().replace(".inf", "inf").replace(".nan", "nan"))
    return text


def unprintable_character(text: str) -> str | None:
    """Find a character that belongs in no name, path or number, such as a line break.

    Parameters
    ----------
    text : str
        The value of a scalar.

    Returns
    -------
    str or None
        Its code, such as ``"U+0007"``; None if there is none.
    """
    found = _CONTROL.search(text)
    return None if found is None else f"U+{ord(found[0]):04X}"


def shown(value: object, text: str) -> str:
    """Show a scalar in a message.

    Parameters
    ----------
    value : object
        The value that was read.
    text : str
        The scalar in the file, without quotes.

    Returns
    -------
    str
        A text in quotes, a number as written, or ``nothing``. Long texts are cut, and a password
        in an address is left out.
    """
    if isinstance(value, NoValue):
        return "nothing"
    safe = _SIGN_IN.sub(r"\1...@", text)  # before it is cut: that might take the @ away
    cut = safe if len(safe) <= _LONGEST_SHOWN else f"{safe[:_LONGEST_SHOWN]}..."
    return json.dumps(cut, ensure_ascii=False) if isinstance(value, str) else cut


def shown_list(items: list[str]) -> str:
    """Show a list in a message.

    Parameters
    ----------
    items : list of str
        Its entries, as messages show them.

    Returns
    -------
    str
        The list in square brackets, or ``a list`` for a long one.
    """
    text = f"[{', '.join(items)}]"
    return text if len(text) <= _LONGEST_SHOWN else "a list"
