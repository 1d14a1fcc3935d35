"""Turn names of households and charge points into levels of MQTT topics."""

from __future__ import annotations

import re
import unicodedata

MOST_CHARACTERS = 64
"""The longest name of a household, a charge point or a vehicle."""

_OTHERS = re.compile(r"[^a-z0-9]+", re.ASCII)
_SPELLED_OUT = str.maketrans(
    {"ä": "ae", "ö": "oe", "ü": "ue", "æ": "ae", "œ": "oe", "ø": "oe", "ł": "l", "đ": "d"}
    | {"ð": "d", "þ": "th", "\N{LATIN SMALL LETTER DOTLESS I}": "i"}
)
"""Letters of the Latin script that are more than a basic letter with an accent."""


def topic_level(name: str) -> str:
    """Turn a name into a topic level: lower case, with hyphens between words.

    Parameters
    ----------
    name : str
        Name of a household or a charge point.

    Returns
    -------
    str
        Made of a-z, 0-9, and one hyphen for each run of other characters.
    """
    return _OTHERS.sub("-", name.lower())


def readable_topic_level(name: str) -> str:
    """Turn a name into a topic level that reads like it: `haus-mueller` for "Haus Müller".

    Parameters
    ----------
    name : str
        Name of a household.

    Returns
    -------
    str
        Letters that no basic letter stands for are left out; empty if there are no others.
    """
    composed = unicodedata.normalize("NFC", name).casefold().translate(_SPELLED_OUT)
    basic = "".join(c for c in unicodedata.normalize("NFKD", composed) if not _is_accent(c))
    return topic_level(basic)[:MOST_CHARACTERS].strip("-")


def _is_accent(character: str) -> bool:
    return unicodedata.combining(character) > 0
