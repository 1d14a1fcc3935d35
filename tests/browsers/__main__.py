"""The page in a real browser, in every way a person may use it: `make browsers`.

Prints a line for each way, and what is wrong. With the path of axe-core's `axe.min.js` in
LULLWATT_AXE, every view is also held against its rules, those of WCAG 2.2 AA among them.
"""

from __future__ import annotations

import os
import re
import signal
import subprocess
import sys
from contextlib import ExitStack
from datetime import timedelta
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import TYPE_CHECKING, Any, Final

import structlog

from adapters.clocks.clock import SystemClock
from adapters.ledger.ledger import open_ledger
from tests.browsers.firefox import flow
from tests.browsers.wishes import MOST_TABS, WISHES, Press, ask, keyboard, take_back, touch
from tests.support.brokers import Mosquitto
from tests.support.browsers import ServedPage, chromium
from tests.support.daemons import POINT, TOPICS, Person, RunningDaemon
from tests.support.waiting import patience
from tests.support.year_of_nights import fill_a_year

if TYPE_CHECKING:
    from playwright.sync_api import Browser, BrowserContext, Page

LAST_NIGHT: Final = SystemClock().now().date() - timedelta(days=2)
VIEWS: Final = (
    "/", "/nights", f"/month?of={LAST_NIGHT:%Y-%m}", f"/report?of={LAST_NIGHT:%Y-%m}",
    f"/night?of={LAST_NIGHT}", "/home",
    "/devices", "/pair", *(
        f"/wish?point={POINT}&kind={kind}" for kind in ("pause", "trip", "away", "level")
    ),
)  # fmt: skip
SIZES: Final = ((390, "light"), (320, "dark"), (195, "light"), (1200, "light"), (1200, "dark"))
"""Widths [CSS pixels] and colours; 195 is a phone of 390 at a zoom of 200 %."""

LEAST_TARGET: Final = 24
"""Smallest size of what can be pressed [CSS pixels], WCAG 2.2, criterion 2.5.8."""

RULES: Final = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]

_MEASURE = """() => ({
  over: document.documentElement.scrollWidth - document.documentElement.clientWidth,
  small: [...document.querySelectorAll("button, a, input:not([type=hidden]), select, summary")]
    .map(each => [each.outerHTML.slice(0, 80), each.getBoundingClientRect()])
    .filter(([, box]) => box.width > 0 && (box.width < LEAST || box.height < LEAST))
    .map(([html]) => html),
})""".replace("LEAST", str(LEAST_TARGET))


_FOCUS = """() => {
  const each = document.activeElement;
  if (each === document.body) return null;
  const box = each.getBoundingClientRect();
  const x = Math.min(Math.max(box.left + box.width / 2, 1), innerWidth - 1);
  const y = Math.min(Math.max(box.top + Math.min(box.height, 40) / 2, 1), innerHeight - 1);
  const there = document.elementFromPoint(x, y);
  const seen = box.bottom > 0 && box.top < innerHeight && there
    && (each.contains(there) || there.contains(each));
  return seen ? "" : each.outerHTML.slice(0, 80);
}"""
"""Nothing for a focus that is seen, else what has it; null if nothing has the focus."""


def _say(line: str) -> None:
    sys.stdout.write(f"{line}\n")
    sys.stdout.flush()


class Campaign:
    """A page, its daemon and its broker, and what was found wrong."""

    def __init__(self, browser: Browser, served: ServedPage) -> None:
        self.wrong: list[str] = []
        self._browser = browser
        self._served = served
        path = os.environ.get("LULLWATT_AXE")
        self._axe = Path(path).read_text("utf-8") if path else None
        first = self._browser.new_context(base_url=served.page.url, locale="en-NZ")
        tab = first.new_page()
        tab.goto(f"/pair?code={served.code(SystemClock().now())}")
        tab.get_by_role("button", name="Pair").click()
        tab.get_by_text("The hatchback will be at").wait_for()
        self._paired = first.storage_state()
        first.close()

    def context(self, **settings: Any) -> BrowserContext:  # noqa: ANN401 - passed on
        context = self._browser.new_context(
            base_url=self._served.page.url, locale="en-NZ", storage_state=self._paired, **settings
        )
        context.set_default_timeout(patience(20) * 1000)
        return context

    def look(self, width: int, colours: Any) -> None:  # noqa: ANN401 - a name of Playwright
        """Look at every view: nothing overflows, and all that can be pressed is large enough."""
        context = self.context(
            viewport={"width": width, "height": 844}, color_scheme=colours,
            bypass_csp=self._axe is not None,
        )  # fmt: skip
        tab = self._tab(context, f"{width} px {colours}")
        for view in VIEWS:
            tab.goto(view)
            self._judge(tab, f"{width} px {colours} {view}")
        tab.goto(f"/wish?point={POINT}&kind=trip")
        tab.get_by_role("button", name="See what this does").click()
        tab.locator("#yes").wait_for()
        self._judge(tab, f"{width} px {colours} confirmation")
        for view, button in (("/devices", "Look, and ask"), ("/devices", "Sign out")):
            tab.goto(view)
            tab.get_by_role("button", name=button, exact=True).click()
            tab.get_by_role("heading", level=1).wait_for()
            self._judge(tab, f"{width} px {colours} {button}")
        context.close()
        _say(f"{width} px, {colours}: {len(VIEWS) + 3} views")

    def wish(self, way: str, press: Press, **settings: Any) -> None:  # noqa: ANN401 - passed on
        """Ask for each wish in one way, and take it back."""
        context = self.context(**settings)
        tab = self._tab(context, way)
        presses = []
        for wish in WISHES:
            try:
                presses.append(ask(tab, press, wish))
                if wish.taken_back:
                    take_back(tab, press, wish)
            except Exception as error:  # noqa: BLE001 - the others are tried all the same
                self.wrong.append(f"{way}: {wish.name}: {error}")
        context.close()
        _say(f"{way}: {len(presses)} of {len(WISHES)} wishes, {max(presses, default=0)} presses"
              " at most")  # fmt: skip

    def compare_months(self) -> None:
        """Find out by one press whether last month was cheaper."""
        context = self.context(viewport={"width": 390, "height": 844}, has_touch=True)
        tab = self._tab(context, "last month")
        tab.goto("/")
        tab.get_by_role("link", name="Nights and months").tap()
        tab.get_by_text("per kWh").first.wait_for()
        context.close()
        _say("was it cheaper last month: said after one press")

    def two_points(self) -> None:
        """Look at a rehearsed home with two vehicles behind one fuse, by its own address."""
        program = Path(sys.executable).with_name("lullwatt")
        with subprocess.Popen(
            [program, "rehearse", "--page", "--home", "busy", "--pace", "20"],
            stdout=subprocess.PIPE, text=True,
        ) as rehearsal:  # fmt: skip
            assert rehearsal.stdout
            line = next(each for each in rehearsal.stdout if "http://" in each)
            context = self._browser.new_context(
                locale="en-NZ", has_touch=True, bypass_csp=self._axe is not None
            )
            context.set_default_timeout(patience(20) * 1000)
            tab = self._tab(context, "two vehicles")
            tab.goto(re.findall(r"http://\S+", line)[0])
            tab.get_by_text("The van will be at").wait_for()
            for width in (390, 320):
                tab.set_viewport_size({"width": width, "height": 844})
                tab.get_by_role("heading", name="Main fuse of 40 A").wait_for()
                self._judge(tab, f"two vehicles, {width} px")
            tab.locator("#now-2").tap()
            tab.locator("#yes").tap()
            tab.get_by_text("Charge now, at any price").wait_for()
            context.close()
            rehearsal.send_signal(signal.SIGINT)
        _say("two vehicles: their sentences, strips and fuse; charge now for the second")

    def see_the_focus(self) -> None:
        """Go through every view by Tab at 320 by 256 px: whatever has the focus can be seen."""
        context = self.context(viewport={"width": 320, "height": 256})
        tab = self._tab(context, "focus")
        stops = 0
        for view in VIEWS:
            tab.goto(view)
            for _ in range(MOST_TABS):
                tab.keyboard.press("Tab")
                seen = tab.evaluate(_FOCUS)
                if seen is None:
                    break
                stops += 1
                if seen:
                    self.wrong.append(f"{view}: the focus is hidden: {seen}")
        context.close()
        _say(f"focus at 320 by 256 px: seen at {stops} stops")

    def lose_the_connection(self) -> None:
        """Cut an open page off: it says so, follows again by itself, and then asks."""
        context = self.context(viewport={"width": 390, "height": 844}, has_touch=True)
        tab = context.new_page()
        tab.goto("/")
        tab.get_by_text("The hatchback will be at").wait_for()
        self._served.stop()
        tab.get_by_text("The page has lost its connection").wait_for()
        self._served.start()
        tab.get_by_text("The page has lost its connection").wait_for(state="hidden")
        ask(tab, touch, WISHES[0])
        take_back(tab, touch, WISHES[0])
        context.close()
        _say("a lost connection: said, and over by itself")

    def show_another_clock(self) -> None:
        """Open the page on a phone whose clock is ten minutes ahead: it says so."""
        context = self.context()
        context.clock.set_system_time(SystemClock().now() + timedelta(minutes=10))
        tab = self._tab(context, "another clock")
        tab.goto("/")
        tab.get_by_text("The clock of this device is not that of the page.").wait_for()
        context.close()
        _say("a phone with another clock: said")

    def _tab(self, context: BrowserContext, where: str) -> Page:
        tab = context.new_page()
        tab.on("console", lambda message: self.wrong.append(f"{where}: {message.text}"))
        tab.on("pageerror", lambda error: self.wrong.append(f"{where}: {error}"))
        return tab

    def _judge(self, tab: Page, where: str) -> None:
        measured = tab.evaluate(_MEASURE)
        if measured["over"] > 0:
            self.wrong.append(f"{where}: {measured['over']} px too wide")
        self.wrong += [f"{where}: too small to press: {html}" for html in measured["small"]]
        if self._axe is not None:
            tab.evaluate(self._axe)
            found = tab.evaluate("rules => axe.run(document, {runOnly: rules})", RULES)
            self.wrong += [f"{where}: axe: {each['help']}" for each in found["violations"]]


def main() -> int:
    """Run the campaign; return 1 if anything is wrong."""
    structlog.configure(logger_factory=structlog.ReturnLoggerFactory())
    with TemporaryDirectory() as folder, ExitStack() as ending:
        broker = Mosquitto(Path(folder) / "broker")
        broker.start()
        ending.callback(broker.stop)
        person = Person(broker.bus)
        ending.callback(person.stop)
        daemon = RunningDaemon(Path(folder) / "home", broker.bus)
        ending.callback(daemon.stop)
        now = SystemClock().now().isoformat()
        person.wait_for(TOPICS.daemon, state="online")
        person.say(TOPICS.reading(POINT), {"at": now, "register_kwh": 1000.0, "watts": 0})
        person.say(TOPICS.vehicle(POINT), {"at": now, "pilot": "B", "soc_percent": 35})
        person.wait_for(TOPICS.status(POINT), connected=True)
        with open_ledger(daemon.house.with_name("ledger.sqlite3")) as ledger:
            fill_a_year(ledger, LAST_NIGHT, SystemClock().now())
            before = SystemClock().now() - timedelta(days=3)
            ledger.add_reading(POINT, before, register_wh=1_000_000)
        served = ServedPage(daemon.house)
        ending.callback(served.stop)
        browser = ending.enter_context(chromium())
        campaign = Campaign(browser, served)
        for width, colours in SIZES:
            campaign.look(width, colours)
        for width in (390, 320):
            size = {"width": width, "height": 700}
            campaign.wish(f"by touch, {width} px", touch, viewport=size, has_touch=True)
        campaign.wish("by keyboard alone", keyboard)
        plain = {"java_script_enabled": False, "has_touch": True}
        campaign.wish("without scripts", touch, **plain)
        campaign.wish("with reduced motion", touch, reduced_motion="reduce", has_touch=True)
        campaign.lose_the_connection()
        campaign.show_another_clock()
        campaign.see_the_focus()
        campaign.compare_months()
        campaign.two_points()
        campaign.wrong += flow(served, Path(folder) / "firefox", VIEWS)
        _say("Firefox: the same flow once")
        for line in campaign.wrong:
            _say(f"wrong: {line}")
        _say(f"wrong: {len(campaign.wrong)}")
    return 1 if campaign.wrong else 0


if __name__ == "__main__":
    sys.exit(main())
