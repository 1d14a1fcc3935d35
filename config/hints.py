"""What may have been meant where something unknown was written."""

from __future__ import annotations

from difflib import get_close_matches
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterable


def nearest(text: str, choices: Iterable[str]) -> str | None:
    """Find the choice that a text resembles most, whatever its case.

    Parameters
    ----------
    text : str
        What was written.
    choices : iterable of str
        What could have been written.

    Returns
    -------
    str or None
        One of the choices; None when none is close.
    """
    folded = {choice.casefold(): choice for choice in sorted(choices, reverse=True)}
    near = get_close_matches(text.casefold(), folded, n=1)
    return folded[near[0]] if near else None
