"""Report broken rules between the keys of a model, each with the path to its key.

A pydantic validator can raise only one error. `refuse` packs any number of problems into it, and
the loader unpacks them to show each one with its line.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from pydantic_core import PydanticCustomError

if TYPE_CHECKING:
    from collections.abc import Sequence

KeyPath = tuple[str | int, ...]
"""The keys and list indices that lead to a value, outermost first."""


@dataclass(frozen=True)
class KeyProblem:
    """A broken rule, and the key at which to report it.

    Attributes
    ----------
    path : tuple of str or int
        Leads from the model that checks the rule to the wrong value; empty for the model itself.
    message : str
        What is wrong and what was expected.
    """

    path: KeyPath
    message: str


def labelled(path: KeyPath, message: str) -> str:
    """Put the last key of a path, and the list indices after it, before a message.

    Parameters
    ----------
    path : tuple of str or int
        From the top of the file.
    message : str
        What is wrong.

    Returns
    -------
    str
        Such as ``"hours[1]: expected ..."``; the bare message at the top.
    """
    names = [i for i, step in enumerate(path) if isinstance(step, str)]
    if not names:
        return message
    key, *indices = path[names[-1] :]
    return f"{key}{''.join(f'[{index}]' for index in indices)}: {message}"


def refuse(problems: Sequence[KeyProblem]) -> None:
    """Raise the problems as one validation error; do nothing if there are none.

    Parameters
    ----------
    problems : sequence of KeyProblem
        Their paths start at the model being validated.

    Raises
    ------
    PydanticCustomError
        Of type ``"rules"``, with the problems in its context.
    """
    if problems:
        text = "; ".join(problem.message for problem in problems)
        raise PydanticCustomError("rules", "{text}", {"text": text, "problems": tuple(problems)})
