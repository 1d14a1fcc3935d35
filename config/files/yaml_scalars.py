"""The scalars of YAML 1.2's core schema, and how a value reads in a message.

There is no ``yes`` for true here, no 7:20 as a base-60 number, and no date made behind the reader's
back: whatever is not plainly a number, a truth value or nothing is text.
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
    """Read a scalar that stands without quotes.

    Parameters
    ----------
    text : str
        The scalar.

    Returns
    -------
    object
        An int, a float, a bool, `NO_VALUE`, or the text itself. A number of more than 30 digits
        stays text: no key of ours means it.
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
    """Find a character that no name, path or number has: control, line break, half a surrogate.

    Parameters
    ----------
    text : str
        The value of a scalar.

    Returns
    -------
    str or None
        Its code, such as ``"U+0007"``.
    """
    found = _CONTROL.search(text)
    return None if found is None else f"U+{ord(found[0]):04X}"


def shown(value: object, text: str) -> str:
    """Tell how a scalar reads in a message.

    Parameters
    ----------
    value : object
        What it was read as.
    text : str
        How it stands in the file, without quotes.

    Returns
    -------
    str
        Texts in quotes, numbers as written, ``nothing``; long ones cut, and never a password that
        somebody put into an address.
    """
    if isinstance(value, NoValue):
        return "nothing"
    safe = _SIGN_IN.sub(r"\1...@", text)  # before it is cut: that might take the @ away
    cut = safe if len(safe) <= _LONGEST_SHOWN else f"{safe[:_LONGEST_SHOWN]}..."
    return json.dumps(cut, ensure_ascii=False) if isinstance(value, str) else cut


def shown_list(items: list[str]) -> str:
    """Tell how a list reads in a message.

    Parameters
    ----------
    items : list of str
        Its entries, as they read.

    Returns
    -------
    str
        The list in square brackets, or ``a list`` for a long one.
    """
    text = f"[{', '.join(items)}]"
    return text if len(text) <= _LONGEST_SHOWN else "a list"
