"""Ask for the answers on a terminal, one by one; ask again after a bad one."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

import click

from config.fields.hints import corrected
from config.files.errors import Fault, FileError
from config.files.texts import printable
from config.files.yaml_nodes import Flaw, Spot
from config.files.yaml_scalars import (
    NO_VALUE,
    plain_value,
    shown,
    shown_list,
    unprintable_character,
)
from config.files.yaml_tree import Tree
from daemon.presentation.output import say
from daemon.start_file.answers import NONE, check_answers, completed, doubts
from daemon.start_file.questions import QUESTIONS

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping

    from config.fields.key_problems import KeyPath
    from config.household.household_file import HouseholdFile
    from daemon.start_file.guess import Guess
    from daemon.start_file.question import Question

_SEPARATOR = re.compile(r"[,;]\s*|\s+(?=[a-z])", re.ASCII)


def ask_for_household(guess: Guess) -> HouseholdFile:
    """Ask all questions that apply; print them, and what is wrong, on standard error.

    Parameters
    ----------
    guess : Guess
        Where the home may be.

    Returns
    -------
    HouseholdFile
        The household that the answers describe.

    Raises
    ------
    FileError
        If the answers do not fit together, though each is good alone.
    """
    say(
        "Press Enter to accept the answer in square brackets. Where there are none, only you know"
        " the answer.",
        err=True,
    )
    given: dict[str, object] = {}
    for question in QUESTIONS:
        known, missing = completed(given, guess)
        if question.key in known:
            _introduce(question)
            default = None if question.key in missing else known[question.key]
            given[question.key] = _answer(question, given, default, guess)
    file, flaws = check_answers(tree_of(given), guess)
    if file is None:
        raise FileError(Fault("answers", at.line, at.column, text) for at, text in flaws)
    return file


def tree_of(given: Mapping[str, object]) -> Tree:
    """Lay out answers like a document, each on its own line after the first.

    Parameters
    ----------
    given : mapping of str to object
        Answers by their keys: texts, numbers, lists of texts.

    Returns
    -------
    Tree
        An answer with unprintable characters becomes a flaw.
    """
    values: dict[KeyPath, Spot] = {(): Spot(1, 1, "keys with values")}
    keys: dict[KeyPath, Spot] = {}
    flaws: list[Flaw] = []
    for line, (key, value) in enumerate(given.items(), start=2):
        items = value if isinstance(value, list) else []
        values |= {(key, i): Spot(line, 1, _shown(item)) for i, item in enumerate(items)}
        text = shown_list([_shown(item) for item in items]) if items else _shown(value)
        values[(key,)] = Spot(line, 1, text)
        keys[(key,)] = Spot(line, 1, shown(key, key))
        flaws += _odd_flaws(Spot(line, 1), key, items or [value])
    return Tree(dict(given), values, keys, flaws)


def _shown(value: object) -> str:
    return shown(value, str(value))


def _odd_flaws(spot: Spot, key: str, items: Iterable[object]) -> Iterator[Flaw]:
    for item in items:
        if isinstance(item, str) and (odd := unprintable_character(item)) is not None:
            yield spot, f"{key}: expected printable characters in one line, got {odd} in it"
            return


def _introduce(question: Question) -> None:
    say(f"\n{question.asks}\n  {question.means}", err=True)
    for caution in question.cautions:
        say(f"  Caution: {caution}", err=True)


def _answer(
    question: Question, given: Mapping[str, object], default: object, guess: Guess
) -> object:
    doubted: object = None
    while True:
        typed = click.prompt(
            "  answer", default=_as_typed(default), show_default=default is not None, err=True
        )
        answer = _read(question, str(typed).strip())
        answers = {**given, question.key: answer}
        _, flaws = check_answers(tree_of(answers), guess)
        reasons = [text for spot, text in flaws if spot.line == len(answers) + 1]
        if answer in ("", [], NO_VALUE) and default is None:
            such = "" if question.kind == "number" else f", such as {_as_typed(question.example)}"
            reasons = [f"expected your own answer{such}"]
        doubt = doubts(answers, guess).get(question.key)
        if not reasons and doubt is not None and answer != doubted:
            doubted = answer
            reasons = [f"{doubt} If it is right, type it again."]
        if not reasons:
            return answer
        for reason in reasons:
            say(f"  {printable(reason)}", err=True)


def _as_typed(answer: object) -> str:
    if isinstance(answer, list):
        return ", ".join(map(str, answer)) or NONE
    return "" if answer is None else str(answer)


def _read(question: Question, typed: str) -> object:
    """Read a typed answer as if it came from a file."""
    if question.kind == "number":
        return _number(typed)
    if question.kind == "text":
        return typed
    if typed == NONE:
        return []
    meant = corrected(question.key, typed)
    text = typed if meant is None else meant.replace('"', "")
    items = [item for item in _SEPARATOR.split(text) if item]
    return items if question.kind == "texts" else [_number(item) for item in items]


def _number(typed: str) -> object:
    value = plain_value(typed)
    return typed if value is NO_VALUE else value
