"""Nights in a row: the sum of the ledger's nights is the register's rise, to the watt-hour."""

from __future__ import annotations

import pytest

from tests.daemon.worlds import utc
from tests.faults import year
from tests.faults.year import year_of_nights


@pytest.mark.parametrize(
    ("begins", "seed"),
    [
        # Over the change of Auckland's clock on 2 April 2028 (the night of the 1st), and forward on
        # 26 September 2027 (IANA); over the leap day.
        ("2028-03-30T00:30", 1),
        ("2027-09-24T00:30", 2),
        ("2028-02-27T00:30", 3),
    ],
)
def test_nothing_is_lost_or_counted_twice(
    monkeypatch: pytest.MonkeyPatch, begins: str, seed: int
) -> None:
    """Through kills, stops of days, a silent meter and resets; `make faults` plays a whole year."""
    monkeypatch.setattr(year, "BEGINS", utc(begins))
    figures = year_of_nights(5, seed)
    assert figures["register_wh"] > 20_000
    assert figures["records"] >= 3
    assert (figures["lost_wh"], figures["owed"], figures["left_charging"]) == (0, 0, 0)
