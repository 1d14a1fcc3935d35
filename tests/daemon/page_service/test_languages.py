"""Each reader's language, and catalogues that hold every sentence of the page."""

from __future__ import annotations

import re
from string import Formatter
from zoneinfo import ZoneInfo

import pytest

from config.calendar.account_days import AccountDays
from daemon.page_service.languages import SOURCE, Languages, read_catalogues
from tests.support.sentences import ROOMS, sentences

CATALOGUES = read_catalogues()
LANGUAGES = Languages(CATALOGUES)
DAYS = AccountDays(ZoneInfo("Pacific/Auckland"))


@pytest.mark.parametrize(
    ("preferred", "language", "word"),
    [
        ("de-AT,de;q=0.9,en;q=0.8", "de-AT", "Jetzt laden"),
        ("fr-FR, es;q=0.5, de;q=0.7", "de", "Jetzt laden"),
        ("es-MX", "es-MX", "Cargar ahora"),
        ("en-NZ", "en-NZ", "Charge now"),
        ("xx, fr", "en", "Charge now"),
        ("", "en", "Charge now"),
        ("*;q=x, ../de, de-" + "x" * 99, "en", "Charge now"),
    ],
)
def test_the_language_of_a_reader(preferred: str, language: str, word: str) -> None:
    """The most preferred one that there is, with its country's customs; else English."""
    words = LANGUAGES.words(preferred, DAYS)
    assert (words.language, words.say("Charge now")) == (language, word)


@pytest.mark.parametrize("language", sorted(set(CATALOGUES) - {SOURCE}))
def test_a_catalogue_is_complete(language: str) -> None:
    """It has every sentence of the page and no other, each with the same values in it."""
    catalogue = CATALOGUES[language]
    assert set(catalogue) == sentences()
    for sentence, translated in catalogue.items():
        assert _values(sentence) == _values(translated), sentence


@pytest.mark.parametrize("language", sorted(set(CATALOGUES) - {SOURCE}))
def test_a_catalogue_says_who_has_read_it(language: str) -> None:
    """So that a native reader knows where help is wanted."""
    text = (ROOMS[1] / "catalogues" / f"{language}.po").read_text("utf-8")
    assert re.search(r"^# (Not proofread|Proofread) by a native reader", text, re.MULTILINE)


def _values(sentence: str) -> set[str]:
    return {name for _, name, _, _ in Formatter().parse(sentence) if name is not None}
