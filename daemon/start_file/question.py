"""What a question of `start-file` is made of."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from decimal import Decimal
from typing import Literal

from daemon.start_file.guess import Guess

Answers = Mapping[str, object]
"""Answers by their keys, as they were written; some of them may be bad."""


@dataclass(frozen=True)
class Question:
    """One question.

    Attributes
    ----------
    key : str
        Key of its answer in a file of answers.
    asks, means : str
        The question; a line on what the answer means and where to find it.
    default : callable
        Makes the default answer from the answers so far; None if nobody but the reader knows.
    kind : str
        Type of the answer: a text, a number, a list of texts, or a list of numbers.
    applies : callable
        Says whether to ask it, given the answers so far.
    only_with : str
        The same condition in words.
    cautions : tuple of str
        Safety warnings shown with the question.
    example : object
        An answer to check the others with while this one is missing; None if there is always a
        default.
    doubt : callable
        From a number and all answers to a sentence that doubts the number, or None.
    """

    key: str
    asks: str
    means: str
    default: Callable[[Answers, Guess], object]
    kind: Literal["text", "number", "texts", "numbers"] = "text"
    applies: Callable[[Answers], bool] = lambda _given: True
    only_with: str = ""
    cautions: tuple[str, ...] = ()
    example: object = None
    doubt: Callable[[Decimal, Answers], str | None] = lambda _number, _given: None


def always(value: object) -> Callable[[Answers, Guess], object]:
    """Return a default that depends on nothing."""
    return lambda _given, _guess: value


def by_currency(
    doubt: Callable[[Decimal, str], str | None],
) -> Callable[[Decimal, Answers], str | None]:
    """Return a doubt about an amount in the home's currency."""
    return lambda number, given: doubt(number, str(given["currency"]))


def when(key: str, value: str) -> Callable[[Answers], bool]:
    """Return the condition that another question has a certain answer."""
    return lambda given: given.get(key) == value
