"""How names become levels of a topic (design of the bus)."""

from __future__ import annotations

import re

_OTHERS = re.compile(r"[^a-z0-9]+", re.ASCII)


def topic_level(name: str) -> str:
    """Turn a name into a topic level: lower case, every run of other characters one hyphen.

    Parameters
    ----------
    name : str
        Name of a household or a charge point.

    Returns
    -------
    str
        Made of a-z, 0-9 and hyphens.
    """
    return _OTHERS.sub("-", name.lower())
