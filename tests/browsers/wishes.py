"""The wishes of the page, each as a person presses them, and how a person may press."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, Final, NamedTuple

if TYPE_CHECKING:
    from playwright.sync_api import Locator, Page

Press = Callable[["Locator"], None]

MOST_TABS: Final = 80


class WishSteps(NamedTuple):
    """What is pressed for a wish, what is filled in before the last one, and what it leads to."""

    name: str
    presses: tuple[str, ...]
    fill: tuple[str, str] | None
    shown: str
    taken_back: bool


WISHES: Final = (
    WishSteps("charge now", ("#now-1",), None, "Charge now, at any price", taken_back=True),
    WishSteps("not tonight", ("#pause-1", "#tonight"), None, "No charging until", taken_back=True),
    WishSteps(
        "not before midnight", ("#pause-1", "#tomorrow"), None, "No charging until", taken_back=True
    ),
    WishSteps(
        "a trip", ("#trip-1", "text=See what this does"), None, "hatchback: 100%", taken_back=True
    ),
    WishSteps("leave in an hour", ("#trip-1", 'text="In an hour"'), None, "100%", taken_back=True),
    WishSteps(
        "two weeks away", ("#away-1", "text=See what this does"), None, "Away until",
        taken_back=True,
    ),
    WishSteps(
        "the battery level", ("#level-1", "text=See what this does"), ("#percent", "41"), "41%",
        taken_back=False,
    ),
)  # fmt: skip


def touch(place: Locator) -> None:
    """Press with a finger."""
    place.tap()


def keyboard(place: Locator) -> None:
    """Go there with the Tab key alone, and press Enter."""
    page = place.page
    place.wait_for()
    for _ in range(MOST_TABS):
        page.keyboard.press("Tab")
        if place.evaluate("element => element === document.activeElement"):
            page.keyboard.press("Enter")
            return
    raise AssertionError(f"no way there by Tab: {place}")


def ask(tab: Page, press: Press, wish: WishSteps) -> int:
    """Ask for a wish and confirm it; return how often something was pressed."""
    tab.goto("/")
    for number, where in enumerate(wish.presses, 1):
        if wish.fill is not None and number == len(wish.presses):
            tab.locator(wish.fill[0]).fill(wish.fill[1])
        press(tab.locator(where))
    press(tab.locator("#yes"))
    tab.get_by_text("Done.").wait_for()
    tab.get_by_text(wish.shown).first.wait_for()
    return len(wish.presses) + 1


def take_back(tab: Page, press: Press, wish: WishSteps) -> int:
    """Take the first wish in force back; return how often something was pressed."""
    tab.goto("/")
    press(tab.get_by_role("button", name="Take back").first)
    press(tab.locator("#yes"))
    tab.get_by_text("Done.").wait_for()
    tab.get_by_role("button", name="Take back").wait_for(state="detached")
    assert tab.get_by_text(wish.shown).count() == 0 or wish.shown == "100%"
    return 2
