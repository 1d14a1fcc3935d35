"""Turn names of households and charge points into levels of MQTT topics."""

from __future__ import annotations

import re

_OTHERS = re.compile(r"[^a-z0-9]+", re.ASCII)


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
