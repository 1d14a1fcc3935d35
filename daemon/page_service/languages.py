"""Choose a reader's language, and read the catalogues of sentences.

The catalogues are gettext's PO files, read when the page starts: nothing is compiled before.
"""

from __future__ import annotations

from importlib.resources import files
from typing import TYPE_CHECKING, Final

from babel import Locale, UnknownLocaleError
from babel.messages.pofile import read_po

from daemon.page.words import Words

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from config.calendar.account_days import AccountDays

FOLDER: Final = "catalogues"
SOURCE: Final = "en"
_MOST_WISHES: Final = 10
_LONGEST_TAG: Final = 20


def read_catalogues() -> dict[str, Mapping[str, str]]:
    """Return the sentences of each language, by those in English."""
    found: dict[str, Mapping[str, str]] = {SOURCE: {}}
    for each in (files("daemon.page_service") / FOLDER).iterdir():
        language, dot, kind = each.name.partition(".")
        if dot and kind == "po":
            with each.open("rb") as opened:
                catalogue = read_po(opened, locale=language)
            found[language] = {
                str(message.id): str(message.string)
                for message in catalogue
                if message.id and message.string and not message.fuzzy
            }
    return found


class Languages:
    """The words of readers, by what their browsers prefer.

    Parameters
    ----------
    catalogues
        The sentences of each language, by those in English.
    """

    def __init__(self, catalogues: Mapping[str, Mapping[str, str]]) -> None:
        self._catalogues = catalogues
        self._words: dict[tuple[str, AccountDays], Words] = {}

    def words(self, accept_language: str, days: AccountDays) -> Words:
        """Return the words for a browser's ``Accept-Language`` (RFC 9110, section 12.5.4)."""
        locale = next(self._known(accept_language), None) or Locale.parse(SOURCE)
        name = str(locale), days
        if name not in self._words:
            sentences = self._catalogues[locale.language]
            self._words[name] = Words(
                locale, lambda sentence: sentences.get(sentence, sentence), days
            )
        return self._words[name]

    def _known(self, accept_language: str) -> Iterator[Locale]:
        for tag in _preferred(accept_language):
            try:
                locale = Locale.parse(tag, sep="-")
            except (ValueError, UnknownLocaleError, TypeError):
                continue
            if locale.language in self._catalogues:
                yield locale


def _preferred(accept_language: str) -> list[str]:
    """Return the tags, the most preferred first."""
    weighed: list[tuple[float, str]] = []
    for part in accept_language.split(",")[:_MOST_WISHES]:
        tag, _, weight = part.strip().partition(";")
        try:
            weighed.append((-float(weight.strip().removeprefix("q=") or 1), tag.strip()))
        except ValueError:
            continue
    return [tag for _, tag in sorted(weighed, key=lambda pair: pair[0]) if len(tag) <= _LONGEST_TAG]
