"""What the page says of nights and months that are over; the samples are invented nights."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

from daemon.page.past import night_line, past_view
from tests.daemon.month.samples import GAP, IDLE, PRUNED, SHORT, empty_month, full_month
from tests.daemon.page.test_view import words

MONTH = full_month()
VIEW = past_view((MONTH, empty_month()), datetime(2026, 11, 29, tzinfo=UTC), words())


def sentences_of(day: int) -> tuple[str, ...]:
    """Return what is said of the hatchback's night that began on this day of October."""
    rows = list(reversed(MONTH.nights))
    place = next(
        place for place, row in enumerate(rows)
        if row.night.day == day and row.vehicle == "hatchback"
    )  # fmt: skip
    return VIEW.nights[place].sentences


def test_a_month_in_sentences() -> None:
    """Energy and cost first, what it saved, and what is wrong or estimated; as `month` has them."""
    month, empty = VIEW.months
    saved = MONTH.saved_against_at_once
    assert saved is not None
    assert month.name == "October 2026"
    assert month.sentences == (
        f"{MONTH.energy_wh / 1000:.1f} kWh for ${MONTH.cost_rounded}.",
        f"Charging at once would have cost ${saved:.2f} more.",
        "Nights with too little for the departure: 1.",
        "2.2 kWh of this is estimated, the rest metered.",
    )
    assert (empty.name, empty.sentences) == ("February 2026", ("Nothing was charged.",))


def test_nights_are_the_latest_first() -> None:
    """Each with its day; those of both vehicles."""
    assert len(VIEW.nights) == len(MONTH.nights)
    assert VIEW.nights[0].name == "Sat, 31 Oct"
    assert VIEW.nights[0].sentences[0].startswith("hatchback: ")


def test_a_night_in_sentences() -> None:
    """What was charged for how much, the levels, and what it saved."""
    first, levels, saved = sentences_of(1)
    assert first == "hatchback: 25.0 kWh for $4.82."
    assert levels == "From 38% to 80%."
    assert saved == "Charging at once would have cost $7.01 more."


def test_nights_with_something_odd() -> None:
    """Too little, estimated, unknown levels and comparisons, and nothing charged at all."""
    short = sentences_of(SHORT)
    assert "At the departure Sat, 10 Oct 8:20\u202fam it was too little." in short
    assert sentences_of(GAP)[-1] == "2.2 kWh of this is estimated, the rest metered."
    assert len(sentences_of(PRUNED)) == 1
    assert sentences_of(IDLE)[0] == "hatchback: 0.0 kWh for $0.00."


def test_a_night_in_progress() -> None:
    """The present level, and no word of a departure that has not come."""
    row = next(row for row in MONTH.nights if row.night.day == SHORT)
    (stay,) = row.stays
    assert stay.departure is not None
    before = stay.departure - timedelta(hours=1)
    there = night_line(row, "NZD", before, words(), {row.charge_point: 60.0}).sentences
    assert there[1] == "From 41% to 60%."
    assert there[-1] == "This night is not over."
    assert not any("too little" in sentence for sentence in there)
    assert "From 41% to 48%." in night_line(row, "NZD", before, words()).sentences


def test_a_month_that_is_still_running() -> None:
    """Without a night that is over, nothing is said to have been charged or not."""
    now = datetime(2026, 2, 1, 9, tzinfo=UTC)
    [empty] = past_view((empty_month(),), now, words()).months
    assert empty.sentences == ("It is still running, and no night of it is over.",)
    october = past_view((MONTH,), datetime(2026, 10, 20, tzinfo=UTC), words()).months[0]
    assert october.sentences[1] == "It is still running."
