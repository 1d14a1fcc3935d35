"""Find every sentence of the page that is to be translated."""

from __future__ import annotations

from io import BytesIO
from typing import TYPE_CHECKING

from babel.messages.extract import extract_python
from jinja2.ext import babel_extract

from daemon.control.state import SOC_SOURCES
from daemon.page import forms
from daemon.page.troubles import ADVICE, ALERT_WORDS
from daemon.page.wishes import REFUSAL_WORDS
from daemon.page_record.night_view import CAUSE_WORDS, HOW_WORDS
from tests.test_rooms import ROOT

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

KEYWORDS = {"say": None}
ROOMS = tuple(ROOT / "daemon" / name for name in ("page", "page_service", "page_record"))


def sentences() -> set[str]:
    """Return the sentences in English: of the code, the templates and the tables."""
    of_forms = (forms.NO_DATE, forms.NO_TIME, forms.NO_PERCENT, forms.HAS_PASSED, forms.UNKNOWN)
    alerts = (text for words in ALERT_WORDS.values() for text in words)
    more = (*REFUSAL_WORDS.values(), *SOC_SOURCES.values(), *HOW_WORDS.values())
    causes = CAUSE_WORDS.values()
    return {*_in_code(), *_in_templates(), ADVICE, *of_forms, *alerts, *more, *causes}


def _in_code() -> Iterator[str]:
    for room in ROOMS:
        for path in sorted(set(room.glob("*.py")) - {room / "command.py"}):  # prints in English
            for _, _, message, _ in extract_python(BytesIO(path.read_bytes()), KEYWORDS, [], {}):
                yield from _first(message)


def _in_templates() -> Iterator[str]:
    for path in (ROOMS[1] / "templates").glob("*.j2"):
        for _, _, message, _ in babel_extract(
            BytesIO(path.read_bytes()), list(KEYWORDS), [], {"trimmed": "true"}
        ):
            yield from _first(message)


def _first(message: str | Sequence[str | None] | None) -> Iterator[str]:
    """Yield the sentence itself; a call with a variable in its place has none."""
    sentence = message if isinstance(message, str) or message is None else message[0]
    if sentence:
        yield sentence
