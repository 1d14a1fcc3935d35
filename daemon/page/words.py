"""Write times, money and sentences for one reader: in their language, by their customs.

Times are by the household's clock. Babel knows the customs; the sentences are from a catalogue.
"""

from __future__ import annotations

from datetime import date, timedelta
from decimal import Decimal
from typing import TYPE_CHECKING, Final

from babel import Locale
from babel.dates import format_skeleton, format_time, get_time_format
from babel.numbers import format_currency, format_decimal, format_percent

from planners.local_time.conversion import is_shown_twice, nearest_minute

if TYPE_CHECKING:
    from collections.abc import Callable
    from datetime import datetime

    from config.calendar.account_days import AccountDays

_SAME_NIGHT: Final = timedelta(hours=18)
"""A time this near is written without its day."""

_SAME_WEEK: Final = timedelta(days=6)
"""A time this near is written with its weekday, one further away with its date."""

_MINUTES_SHOWN: Final = timedelta(minutes=120)
"""From this age on, the time is shown instead of the minutes since."""


class Words:
    """The words of one reader.

    Parameters
    ----------
    locale : Locale
        Their language and customs.
    translate : callable
        Returns a sentence in their language.
    days : AccountDays
        The days of the home's account, in its zone.
    """

    def __init__(self, locale: Locale, translate: Callable[[str], str], days: AccountDays) -> None:
        self.locale = locale
        self.language = str(locale).replace("_", "-")
        self._translate = translate
        self.days = days
        self.zone = days.zone

    def say(self, sentence: str, **values: object) -> str:
        """Return a sentence in the reader's language, with values in its braces."""
        return self._translate(sentence).format(**values)

    def clock(self, instant: datetime) -> str:
        """Write a time of day."""
        shown = nearest_minute(instant, self.zone)
        time = format_time(shown, "short", locale=self.locale)
        if not is_shown_twice(shown):
            return time
        if shown.fold:
            return self.say("{time} (the second time)", time=time)
        return self.say("{time} (the first time)", time=time)

    def hour(self, instant: datetime) -> str:
        """Write a full hour as shortly as the reader's customs allow."""
        local = nearest_minute(instant, self.zone)
        counts_to_12 = "a" in get_time_format("short", locale=self.locale).pattern
        return format_time(local, "h a" if counts_to_12 else "HH:mm", locale=self.locale)

    def day_and_time(self, instant: datetime, now: datetime) -> str:
        """Write a time with its day."""
        return self.say("{day} {time}", day=self.day(instant, now), time=self.clock(instant))

    def when(self, instant: datetime, now: datetime) -> str:
        """Write a time, with its day unless it is near."""
        if abs(instant - now) < _SAME_NIGHT:
            return self.clock(instant)
        return self.day_and_time(instant, now)

    def day(self, instant: datetime, now: datetime) -> str:
        """Write the day of an instant: its weekday, with the date unless it is in this week."""
        return self.date(nearest_minute(instant, self.zone).date(), now)

    def whole_date(self, day: date) -> str:
        """Write a date with its weekday, day and month."""
        return format_skeleton("MMMEd", day, locale=self.locale)

    def date(self, day: date, now: datetime) -> str:
        """Write a date: its weekday, with day and month unless it is in this week."""
        near = abs(day - nearest_minute(now, self.zone).date()) < _SAME_WEEK
        return format_skeleton("E" if near else "MMMEd", day, locale=self.locale)

    def month(self, year: int, month: int) -> str:
        """Write a month with its year."""
        return format_skeleton("yMMMM", date(year, month, 1), locale=self.locale)

    def short_month(self, year: int, month: int) -> str:
        """Write a month shortly."""
        return format_skeleton("yMMM", date(year, month, 1), locale=self.locale)

    def age(self, at: datetime, now: datetime) -> str:
        """Write how long ago something was."""
        if now - at >= _MINUTES_SHOWN:
            return self.when(at, now)
        minutes = max(0, int((now - at) / timedelta(minutes=1)))
        if minutes < 1:
            return self.say("just now")
        return self.say("{minutes} min ago", minutes=minutes)

    def percent(self, percent: float) -> str:
        """Write a whole number of percent."""
        return format_percent(round(percent) / 100, locale=self.locale)

    def number(self, value: float, decimals: int = 1) -> str:
        """Write a number."""
        rounded = Decimal(str(value)).quantize(Decimal(1).scaleb(-decimals))
        form = "#,##0." + "0" * decimals if decimals else "#,##0"
        return format_decimal(rounded, form, locale=self.locale)

    def kwh(self, kwh: float) -> str:
        """Write an energy."""
        return self.say("{kwh} kWh", kwh=self.number(kwh))

    def money(self, amount: float | Decimal, currency: str) -> str:
        """Write an amount of money."""
        return format_currency(Decimal(str(amount)), currency, locale=self.locale)

    def rate(self, rate: Decimal, currency: str) -> str:
        """Write a rate with all its decimals."""
        return format_currency(
            rate.normalize(), currency, locale=self.locale,
            currency_digits=False, decimal_quantization=False,
        )  # fmt: skip
