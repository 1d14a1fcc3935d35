"""Price series without steps, with bounds, against the second evaluator, minute by minute."""

from __future__ import annotations

from datetime import UTC, datetime
from decimal import Decimal

from hypothesis import given
from hypothesis import strategies as st

from config.files.price_series import PricePoint
from planners.rates.prices import prices_of
from tests.planners.households import household, series
from tests.planners.rates.test_prices_evaluated import DAY, MINUTE, assert_same, per_day, windows


@st.composite
def changing_series(draw: st.DrawFn, middle: datetime) -> dict[datetime, Decimal]:
    """Prices of some days whose step changes around an instant, once or twice, with holes."""
    start = middle - draw(st.integers(1, 9)) * DAY
    starts: list[datetime] = []
    for _ in range(draw(st.integers(1, 3))):
        step = draw(st.sampled_from([15, 30, 60])) * MINUTE
        count = draw(st.integers(1, max(2, int((middle - start) / step) + 6)))
        starts += [start + i * step for i in range(count)]
        start = starts[-1] + step
    holes = draw(st.sets(st.integers(1, max(1, len(starts) - 1)), max_size=20))
    lost = draw(st.sampled_from([0, 0, 5, 40]))
    kept = [at for i, at in enumerate(starts) if i not in holes and not 10 < i <= 10 + lost]
    few = draw(st.lists(st.decimals(Decimal("-0.5"), Decimal(1), places=4), min_size=1, max_size=7))
    return {at: few[i * i % len(few)] + Decimal(i % 96) / 1000 for i, at in enumerate(kept)}


@per_day
@given(st.data(), windows(longest=700), st.sampled_from([None, None, 15, 60]))
def test_steps_read_off_the_prices_agree(
    data: st.DataObject, window: tuple[str, datetime, datetime], step: int | None
) -> None:
    """Known, missing and bounded prices, in any zone: both evaluators agree at every minute."""
    middle = window[1] + data.draw(st.integers(-600, 700)) * MINUTE
    points = data.draw(changing_series(middle))
    tariff = series(
        step_minutes=step,
        multiply=data.draw(st.sampled_from([Decimal(1), Decimal("1.05")])),
        add=data.draw(st.sampled_from([Decimal(0), Decimal("0.115")])),
        at_least=data.draw(st.sampled_from([None, Decimal(0), Decimal("-0.1")])),
        at_most=data.draw(st.sampled_from([None, Decimal("0.4"), Decimal(0)])),
        tax_percent=data.draw(st.sampled_from([Decimal(0), Decimal(15)])),
    )
    known = [PricePoint(start=start, rate=rate) for start, rate in points.items()]
    prices = prices_of(household(window[0], [tariff]), {"Series": known})
    assert_same(prices, window, [tariff], points)


def test_the_mean_of_all_prices_counts_each_as_long_as_it_held() -> None:
    """Prices of a quarter of an hour and of half hours, and none a day before: both agree."""
    first = datetime(2025, 4, 4, 0, 1, tzinfo=UTC)
    after = (0, 15, 45, 75)
    points = {first + each * MINUTE: Decimal(i) / 1000 for i, each in enumerate(after)}
    known = [PricePoint(start=start, rate=rate) for start, rate in points.items()]
    window = ("Australia/Lord_Howe", first + DAY - MINUTE, first + DAY)
    prices = prices_of(household(window[0], [series()]), {"Series": known})
    assert_same(prices, window, [series()], points)
