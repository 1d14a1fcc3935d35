"""Types for the topics of hardware, and for pointers into its JSON."""

from __future__ import annotations

from typing import Annotated

from config.fields.value_types import Expected, checked, is_pointer

_LONGEST_TOPIC = 1000


def is_topic(text: str) -> bool:
    """Tell whether a text is a topic to publish to."""
    return _is_plain(text) and not set(text) & set("+#")


def is_filter(text: str) -> bool:
    """Tell whether a text is a topic filter: ``+`` for a level, ``#`` for the rest."""
    levels = text.split("/")
    return (
        _is_plain(text)
        and all(level == "+" or "+" not in level for level in levels)
        and all("#" not in level for level in levels[:-1])
        and (levels[-1] == "#" or "#" not in levels[-1])
    )


def _is_plain(text: str) -> bool:
    """Tell whether a text has no control characters and no leading ``$``."""
    return 0 < len(text) <= _LONGEST_TOPIC and text.isprintable() and not text.startswith("$")


TopicName = Annotated[
    str, checked(is_topic), Expected("a topic without +, #, control characters or a leading $")
]
TopicFilter = Annotated[
    str,
    checked(is_filter),
    Expected("a topic, in which + may stand for one level and # for the rest"),
]
Pointer = Annotated[
    str,
    checked(is_pointer),
    Expected('a JSON Pointer (RFC 6901) such as "/energy/total"'),
]
