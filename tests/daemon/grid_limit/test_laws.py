"""No set of commands in force exceeds a limit of the grid operator, whatever happens."""

from __future__ import annotations

import tempfile
from datetime import timedelta
from pathlib import Path
from typing import Any

from hypothesis import given, settings
from hypothesis import strategies as st

from adapters.ledger.ledger import open_ledger
from tests.daemon.grid_limit.homes import Home
from tests.daemon.worlds import POINT

VOLTS = 230
ENDLESS = 10**6

powers = st.sampled_from([{"kw": 0}, {"kw": 1.3}, {"kw": 4.2}, {"kw": 7.36}, {"kw": 1000}])
currents = st.sampled_from([{"amps": 5.9}, {"amps": 11.5}, {"amps": 40}])
ends = st.sampled_from([None, -1, 45, 3000])
wishes = st.sampled_from(
    [{"charge_now": True}, {"skip_until": timedelta(minutes=30)}, {"clear": True}]
)
events = st.lists(
    st.one_of(
        st.tuples(st.just("limit"), st.one_of(powers, currents), ends),
        st.tuples(st.just("lift")),
        st.tuples(st.just("late"), powers),
        st.tuples(st.just("bad"), st.sampled_from([b"{", b'{"v":1,"kw":NaN}', b"\x00"])),
        st.tuples(st.just("ask"), st.sampled_from([POINT, "garage"]), wishes),
        st.tuples(st.just("restart")),
        st.tuples(st.just("wait"), st.sampled_from([5, 50, 700])),
    ),
    min_size=4,
    max_size=12,
)


@settings(max_examples=6)
@given(events)
def test_the_commands_in_force_keep_below_the_limit(happens: list[tuple[Any, ...]]) -> None:
    """After every event, at once: the issue's five seconds are for the way to the equipment."""
    with tempfile.TemporaryDirectory() as folder:
        ledger = open_ledger(Path(folder) / "ledger.sqlite3")
        with ledger:
            home = Home(Path(folder), ledger, "garage")
            for point in home.points:
                home.ask(point, charge_now=True)
            _play(home, happens)


def _play(home: Home, happens: list[tuple[Any, ...]]) -> None:  # noqa: C901 - one case an event
    most, until = float(ENDLESS), None
    for event in happens:
        now = home.clock.now()
        match event:
            case ("limit", limit, seconds):
                until = None if seconds is None else now + timedelta(seconds=seconds)
                most = limit["amps"] if "amps" in limit else limit["kw"] * 1000 / VOLTS
                home.limit(**limit, until=until)
            case ("lift",):
                most, until = float(ENDLESS), None
                home.limit(lifted=True)
            case ("late", limit):
                home.limit(**limit, at=now - timedelta(days=1))
            case ("bad", payload):
                home.say(home.topics.grid_limit, payload)
            case ("ask", point, wish):
                later = {k: now + v if isinstance(v, timedelta) else v for k, v in wish.items()}
                home.ask(point, **later)
            case ("restart",):
                home.start()
            case ("wait", seconds):
                home.advance(timedelta(seconds=seconds))
            case _:
                raise AssertionError(event)
        holds = until is None or until > home.clock.now()
        if holds:
            assert home.total() <= most
            assert most >= 6 or not home.total()
