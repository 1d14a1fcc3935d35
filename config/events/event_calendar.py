"""What a household declares about a calendar whose events say when vehicles leave."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Annotated, Self

from pydantic import Field, model_validator
from typing_extensions import override

from config.events.rules import folded
from config.fields.key_problems import KeyProblem, refuse
from config.fields.value_types import Expected, FilePath, Name, Percent, TextOrTexts
from config.servers.source import Address, Source

Words = Annotated[TextOrTexts, Field(max_length=50), Expected("a word, or a list of words")]


class EventCalendar(Source):
    """A calendar (RFC 5545): its events with a declared word become departures and absences."""

    file: FilePath = Field(
        description="The calendar, an iCalendar file. Beside url or url_file: where `lullwatt "
        "fetch-calendars` keeps its copy, of events with a declared word alone.",
    )
    url: Address | None = Field(
        None,
        description="Address of the calendar, for `lullwatt fetch-calendars`; a private one belongs"
        " into url_file. Without both: something else writes file.",
    )
    words: Words = Field(
        (),
        description="Words that make an event a departure: whole words of its title, or one of its"
        " categories, in upper or lower case. Without, beside vehicle: every event is one.",
    )
    vehicle: Name | None = Field(
        None,
        description="The vehicle that an event means which names none; without: the only one.",
    )
    vehicle_words: dict[Name, Words] = Field(
        default_factory=dict,
        description="More words for each vehicle, which say which one is meant; its name in the"
        " file does so too, beside one of words.",
    )
    need_percent: Percent | None = Field(
        None,
        description="State of charge needed where an event names neither percent nor kilometres,"
        " and adds a departure [percent]; without: the vehicle's everyday limit.",
    )
    reserve_percent: Percent = Field(
        10.0,
        description="What a trip of a distance that an event names shall leave in the battery"
        " [percent].",
    )

    @model_validator(mode="after")
    def _check(self) -> Self:
        refuse(
            [
                *self._source_problems(),
                *self.address_problems(),
                *self.header_problems(),
                *self._word_problems(),
            ]
        )
        return self

    @override
    def __hash__(self) -> int:
        return hash((self.url, self.url_file, self.file))  # headers are a dict, which has none

    @override
    def problem_of(self, address: str) -> str | None:
        if address.lower().startswith("webcal"):
            return "expected https:// in place of webcal://: it is the same address"
        return super().problem_of(address)

    @property
    def is_fetched(self) -> bool:
        """Whether `lullwatt fetch-calendars` fetches it."""
        return self.url is not None or self.url_file is not None

    def _source_problems(self) -> Iterator[KeyProblem]:
        if self.url is not None and self.url_file is not None:
            yield KeyProblem((), "expected either url or url_file, got both")
        for key in ("key_file", "headers", "ca_file", "in_the_clear"):
            if not self.is_fetched and getattr(self, key):
                yield KeyProblem((key,), "expected url or url_file beside it")

    def _word_problems(self) -> Iterator[KeyProblem]:
        if not self.words and not self.vehicle_words and self.vehicle is None:
            yield KeyProblem(
                (), "expected words; or vehicle, for a calendar whose every event is a trip of it"
            )
        given = [("words", index, word) for index, word in enumerate(self.words)]
        for path, word in [
            *(((key, index), word) for key, index, word in given),
            *(
                (("vehicle_words", name, index), word)
                for name, words in self.vehicle_words.items()
                for index, word in enumerate(words)
            ),
        ]:
            if not any(each.isalnum() for each in folded(word)):
                yield KeyProblem(path, "expected a word with a letter or a digit in it")
