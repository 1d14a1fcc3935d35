"""Check entries that follow each other up to an end each: tiers by use, steps by power."""

from __future__ import annotations

from typing import TYPE_CHECKING

from config.fields.key_problems import KeyProblem

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence
    from decimal import Decimal


def end_problems(
    ends: Sequence[Decimal | float | None], noun: str, end_key: str, beyond: str
) -> Iterator[KeyProblem]:
    """Find ends that are missing or do not rise.

    Parameters
    ----------
    ends : sequence of Decimal, float or None
        Where each entry ends, in the order of the file; only the last has no end.
    noun : str
        What an entry is called; its list has the key with an s.
    end_key : str
        Key of the end, such as ``"up_to_kwh"``; its last part is the unit.
    beyond : str
        What the last entry is for.

    Yields
    ------
    KeyProblem
        With paths from the entry that has the list.
    """
    key, unit = f"{noun}s", {"kwh": "kWh", "kw": "kW"}[end_key.rpartition("_")[2]]
    before: Decimal | float = 0
    for index, end in enumerate(ends[:-1]):
        if end is None:
            message = f"expected {end_key}: only the last {noun} is without an end"
            yield KeyProblem((key, index), message)
        elif end <= before:
            message = f"expected more than the {_plain(before)} {unit} before it, got {_plain(end)}"
            yield KeyProblem((key, index, end_key), message)
        else:
            before = end
    if ends and ends[-1] is not None:
        message = f"expected a last {noun} without {end_key}, for {beyond}"
        yield KeyProblem((key, len(ends) - 1, end_key), message)


def _plain(end: Decimal | float) -> str:
    return f"{end:g}" if isinstance(end, float) else str(end)
