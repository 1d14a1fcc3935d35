"""A letter to a client: three figures, one picture, the cautions, on one sheet."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from decimal import Decimal
from typing import TYPE_CHECKING

import pytest

from config.household.loading import load_household
from config.letter.letter_file import Adviser, LetterFile, load_letter
from daemon.letter.letter import Letter, Worth
from daemon.letter.page import render_letter
from tests.config.test_examples import EXAMPLES, LETTER
from tests.daemon.month.recorded import hour, recorded
from tests.daemon.month.samples import full_month
from tests.support.chromium import printed
from tests.support.pages import A4_POINTS, HOSTILE, Tree, check_references, check_self_contained

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from daemon.night_log.month import Month
    from tests.support.commands import Ran

TODAY = date(2026, 11, 3)
WORTH = Worth("Three-band", "Cheap night", 412.3, 30)


def letter(
    month: Month, words: LetterFile | None = None, worth: Worth | None = None, home: str = "kowhai"
) -> Letter:
    return Letter(
        load_household(EXAMPLES / f"{home}.yaml"), month, words or load_letter(LETTER), worth
    )


@pytest.mark.usefixtures("undrawn")
def test_it_has_three_figures_and_the_adviser_s_own_words() -> None:
    """Paid, saved, and what could still be saved: the month's own sums."""
    month = full_month()
    tree = Tree(render_letter(letter(month), TODAY))
    assert "Dear Kowhai Cottage," in tree.text
    assert "the record of October 2026" in tree.text
    assert "Aroha Example" in tree.text
    assert "3 November 2026" in tree.text
    paid, saved, left = letter(month).figures()
    assert paid.amount == f"NZD {month.cost_rounded}"
    assert "671.53 kWh in 30 nights, 0.1978 NZD per kWh" in paid.meaning
    assert month.saved_against_at_once is not None
    assert saved.amount == f"NZD {month.saved_against_at_once:.2f}"
    assert saved.meaning.startswith("less than charging at once")
    assert month.hindsight_would_save is not None
    assert left.amount == f"NZD {month.hindsight_would_save:.2f}"
    assert all(each.amount in tree.text for each in (paid, saved, left))


def test_with_choices_it_says_what_another_tariff_is_worth() -> None:
    """Or that this one is the best of them."""
    month = full_month()
    meaning = "a year less on the tariff Cheap night than on Three-band"
    record = "if the year is like your 30 nights on record"
    assert letter(month, worth=WORTH).figures()[2] == ("NZD 412.30", f"{meaning}, {record}")
    stays = letter(month, worth=WORTH._replace(saves=0.0)).figures()[2]
    assert stays.amount == "Stay"
    assert "none would cost you less than Three-band" in stays.meaning


@pytest.mark.parametrize(
    ("assumes", "said"),
    [(True, "would pay, for a use that is assumed."), (False, "pay on it is not counted.")],
)
def test_it_says_what_the_rest_of_the_home_has_to_do_with_it(assumes: bool, said: str) -> None:  # noqa: FBT001
    """Another tariff is the whole home's, and its use is no record: a client must know."""
    worth = WORTH._replace(assumes_home_use=assumes)
    assert said in " ".join(letter(full_month(), worth=worth).cautions())
    assert "rest of your home" not in " ".join(letter(full_month()).cautions())


def test_what_is_unknown_or_dearer_is_said_so() -> None:
    """Never as a saving, and never as a saving below zero."""
    month = full_month()
    row = replace(month.nights[0], at_once=Decimal(1), hindsight=Decimal(9))
    _, saved, left = letter(replace(month, nights=(row,))).figures()
    assert saved.meaning.startswith("more than")
    assert left.amount == "NZD 0.00"
    equal = replace(row, at_once=row.cost)
    assert letter(replace(month, nights=(equal,))).figures()[1].amount == "Nothing"
    nothing = replace(row, at_once=None, hindsight=None)
    _, saved, left = letter(replace(month, nights=(nothing,))).figures()
    assert (saved.amount, left.amount) == ("Not known", "Not known")


def test_facts_and_cautions_are_those_of_the_home() -> None:
    """Short nights with dates, estimates, missing days; socket or fixed equipment."""
    facts = " ".join(letter(full_month()).facts())
    assert "less than needed by the departure on Fri 9 Oct." in facts
    assert "2.15 of 671.53 kWh are estimated" in facts
    assert "1 day of the month has no record" in facts
    fixed, *_ = list(letter(full_month()).cautions())[1:]
    assert "its own circuit" in fixed
    month = full_month()
    point = next(iter(load_household(EXAMPLES / "plug.yaml").charge_points))
    nights = tuple(replace(row, charge_point=point) for row in month.nights)
    socket = " ".join(letter(replace(month, nights=nights), home="plug").cautions())
    assert "socket" in socket
    assert "licensed electrician" in socket


@pytest.mark.usefixtures("undrawn")
def test_names_are_only_ever_text() -> None:
    """Of the home, the adviser, and the tariff."""
    words = LetterFile(
        adviser=Adviser(name="<b>A</b>", contact=("<i>tel.</i>",)), greeting="{home}"
    )
    worth = WORTH._replace(tariff=HOSTILE)
    page = render_letter(letter(full_month(HOSTILE), words, worth), TODAY)
    assert "<script" not in page
    assert "<b>" not in page
    assert "<i>" not in page
    assert Tree(page).text.count(HOSTILE) >= 4


def test_the_longest_letter_prints_on_one_sheet(tmp_path: Path) -> None:
    """With as many words as the file may have, every fact, and the cautions of two points."""
    line, text = "w" * 20 + " " + "word " * 11, "word " * 80
    words = LetterFile(
        adviser=Adviser(name=line, business=line, contact=(line, line, line, line)),
        greeting=line,
        opening=text,
        closing=text,
        sign_off=line,
    )
    month = full_month("Kowhai Cottage of the long valley behind the hill")
    month = replace(
        month,
        nights=month.nights[:20]
        + tuple(replace(row, need_met=False, estimated_rate_wh=900) for row in month.nights[20:]),
    )
    page = render_letter(letter(month, words, WORTH), TODAY)
    tree = Tree(page)
    check_references(page, tree)
    check_self_contained(page, tree)
    paper = printed(tmp_path, page)
    assert paper.pages == 1
    assert paper.size == pytest.approx(A4_POINTS, abs=1)
    assert len(page.encode()) < 100_000


@pytest.mark.usefixtures("undrawn")
def test_the_command_writes_it(tmp_path: Path, run: Callable[..., Ran]) -> None:
    """Into a file; a month without a night, and a bad file of words, are refused in one line."""
    (tmp_path / "home").mkdir()
    file = str(recorded(tmp_path / "home", "kowhai", hour(2, 1, 7200)))
    asked = ("letter", file, "2026-10", "--words", str(LETTER))
    ran = run(*asked, "--output", "letter.html")
    assert (ran.code, ran.out, ran.err) == (0, "", "")
    assert "7.20 kWh" in (tmp_path / "letter.html").read_text("utf-8")
    choices = ("--choices", str(EXAMPLES / "choices.yaml"))
    ran = run(*asked, *choices)
    assert (ran.code, ran.out) == (2, "")
    assert "at least 28 days" in ran.err
    assert "expected a night recorded in 2026-01" in run(*asked[:2], "2026-01", *asked[3:]).err
    (tmp_path / "bad.yaml").write_text("adviser: 7", "utf-8")
    assert "bad.yaml:1:10:" in run(*asked[:4], "bad.yaml").err
