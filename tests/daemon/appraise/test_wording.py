"""What an appraisal says: the answer, remarks, and what would change it."""

from __future__ import annotations

from dataclasses import replace
from decimal import Decimal

import pytest

from config.fields.distance import KM_PER_MILE
from daemon.appraise.changes import changes, in_short
from daemon.appraise.nights import longest_days, nights_short
from daemon.appraise.remarks import mark_note, remarks
from daemon.appraise.tables import figures
from daemon.appraise.wording import AppraisalWords
from planners.appraisal.appraisal import BandYear, BreakEven, Spread
from planners.worth.lifetime import Lifetime
from tests.daemon.appraise.samples import (
    KM,
    POINT,
    SOCKET,
    SOCKET_NIGHT,
    appraisal,
    choice,
    evens,
    many,
    three,
)


def test_the_answer_is_one_line() -> None:
    """8942.40 at 31.05 c; 1900 and 8 x (3600 x 0.138 + 36.50) = 6166.40."""
    assert AppraisalWords(appraisal()).answer() == (
        f"Cheapest over 8 years: {POINT}: NZD 6,166, NZD 2,776 less than {SOCKET}"
    )


def test_the_first_choice_is_compared_with_the_next() -> None:
    """It can't be compared with itself."""
    choices = choice("A", 10, 0, 0), choice("B", 30, 0, 0), choice("C", 20, 0, 0)
    words = AppraisalWords(appraisal(choices))
    assert words.answer() == "Cheapest over 8 years: A: NZD 2,880, NZD 2,880 less than C"


def test_choices_with_the_same_cost_are_called_so() -> None:
    """To the last digit shown."""
    words = AppraisalWords(appraisal((choice("A", 10, 0, 0), choice("B", 10, 0, 0.01))))
    assert words.answer().endswith("about the same as B")


def test_a_single_choice_is_compared_with_nothing() -> None:
    """Neither more nor less, and nothing would change it."""
    words = AppraisalWords(appraisal(three()[:1]))
    assert words.answer() == f"The only choice over 8 years: {SOCKET}: NZD 8,942"
    assert remarks(words) == []
    assert changes(words) == ["Nothing: there is no other choice."]
    assert in_short(words) == ""


@pytest.mark.parametrize(
    ("payback", "ending"),
    [
        (3.25, "is paid back after 3.2 years."),
        (None, "never pays back."),
        (0.4, "is paid back after 0.4 years."),
    ],
)
def test_payback_is_a_remark_on_the_answer(payback: float | None, ending: str) -> None:
    """In years, or that it never comes."""
    first, second, third = three()
    words = AppraisalWords(appraisal((first, second, replace(third, payback_years=payback))))
    assert remarks(words) == [f"Its outlay, NZD 1,900 more than that of “{SOCKET}”, {ending}"]


def test_an_answer_without_outlay_has_nothing_to_pay_back() -> None:
    """A payback of 0 years is not worth a sentence."""
    words = AppraisalWords(appraisal(three()[:2]))
    assert remarks(words)[0].startswith("With it, 12 of 241 nights are short")


def test_a_cheaper_choice_that_leaves_nights_short_is_named() -> None:
    """The answer has not the lowest total; even zero outlay would not change that."""
    third = replace(three()[2], total_over_years=9000.0)
    even = evens(outlay=BreakEven(1900.0, -18.4, SOCKET_NIGHT))
    words = AppraisalWords(appraisal((*three()[:2], third), cheapest=POINT, break_even=even))
    assert words.answer() == (
        f"Cheapest over 8 years of those that charge enough every night: {POINT}: NZD 9,000, NZD 58"
        f" more than {SOCKET}"
    )
    assert remarks(words)[1] == (
        f"“{SOCKET_NIGHT}” would cost NZD 1,918 less, but 12 of 241 nights would be short for the"
        " departure."
    )
    assert (
        changes(words)[-1] == f"Even without any outlay it would cost more than “{SOCKET_NIGHT}”."
    )


def test_the_only_choice_that_charges_enough_is_called_so() -> None:
    """It is not the cheapest, and no rate or outlay makes it lose its place."""
    first, second, _ = three()
    never = BreakEven(0.3105, None, None)
    even = evens(rate=never, outlay=never)
    words = AppraisalWords(appraisal((first, second), cheapest=SOCKET, break_even=even))
    assert words.answer() == (
        f"The only one that charges enough every night: {SOCKET}: NZD 8,942 over 8 years"
    )
    assert remarks(words) == [
        (
            f"“{SOCKET_NIGHT}” would cost NZD 1,860 less, but 12 of 241 nights would be short for"
            " the departure."
        )
    ]
    assert words.title == "the answer"
    for sentence in changes(words)[-2:]:
        assert sentence.endswith("now), since every other choice leaves more nights short.")


def test_a_cheaper_choice_that_charges_elsewhere_has_a_price_at_which_it_costs_less() -> None:
    """NZD 2776 less over 8 years for 500 kWh a year elsewhere: 0.6940 per kWh. It is asked for."""
    first, _, third = three()
    choices = (first, replace(third, charged_elsewhere_kwh=480.0, short_at_end_kwh=20.0))
    words = AppraisalWords(appraisal(choices, cheapest=SOCKET))
    assert words.answer() == f"The one that delivers the most: {SOCKET}: NZD 8,942 over 8 years"
    assert remarks(words) == [
        (
            f"“{POINT}” would cost NZD 2,776 less, but with it 500.0 kWh a year more go into the"
            " battery elsewhere. At less than 0.6940 NZD per kWh there it would cost less all the"
            " same."
        ),
        (
            f"What a kWh costs elsewhere is not known, and with “{POINT}” 500.0 kWh a year go"
            " into the battery there. Add elsewhere_rate to the section appraisal of the file: then"
            " all choices are compared for the same energy. Without it, only those that leave the"
            " least to be charged elsewhere can win."
        ),
    ]


def test_energy_that_goes_elsewhere_is_the_difference_of_what_is_shown() -> None:
    """5443.36 less 3927.94 is 1515.42; 5443.4 and 3927.9 are shown, so it is 1515.5."""
    first, _, third = three()
    choices = (
        replace(first, charged_elsewhere_kwh=3927.94),
        replace(third, charged_elsewhere_kwh=5443.36),
    )
    words = AppraisalWords(appraisal(choices, cheapest=SOCKET))
    assert any("with it 1,515.5 kWh a year more go" in remark for remark in remarks(words))


def test_with_a_price_elsewhere_nothing_is_asked() -> None:
    """What is charged there is part of each total, and no saving is marked."""
    first, _, third = three()
    third = replace(third, charged_elsewhere_kwh=500.0, elsewhere_cost=300.0)
    words = AppraisalWords(
        appraisal((replace(first, elsewhere_cost=0.0), third), elsewhere_rate=0.6)
    )
    assert not [line for line in remarks(words) if "elsewhere" in line]
    assert mark_note(words) == []
    rows = {row.label: [cell.text for cell in row.cells] for row in figures(words)}
    assert rows["charged elsewhere"] == ["0", "300"]


def test_choices_that_cost_the_same_are_not_told_apart() -> None:
    """Rounding in the solver is no saving: nothing "would cost NZD 0 less"."""
    first, second, _ = three()
    rounded = replace(second, total_over_years=first.total_over_years - 3e-9, nights_short=0)
    words = AppraisalWords(appraisal((first, rounded), cheapest=SOCKET))
    assert words.answer() == (
        f"Cheapest over 8 years: {SOCKET}: NZD 8,942, about the same as {SOCKET_NIGHT}"
    )
    assert remarks(words) == []
    assert words.by_total == (first, rounded)
    little = replace(second, total_over_years=first.total_over_years - 0.3)
    assert remarks(AppraisalWords(appraisal((first, little), cheapest=SOCKET))) == []


def test_the_tiers_of_a_band_change_together() -> None:
    """The named rate is that of the lowest tier."""
    bands = (
        BandYear("night", Decimal("0.1380"), 1800.0, 248.4),
        BandYear("night", Decimal("0.2380"), 1800.0, 428.4),
    )
    words = AppraisalWords(appraisal((*three()[:2], replace(three()[2], by_band=bands))))
    assert "(0.1380 now, its other tiers changed alike)" in " ".join(changes(words))


def test_drawn_years_that_agree_are_counted() -> None:
    """The remark counts those in which the answer is the cheapest."""
    it = many(4)
    assert "Of 1,000 years drawn at random around the declared one, it is the cheapest in 250." in (
        remarks(AppraisalWords(it))
    )


def test_drawn_years_that_disagree_are_mentioned() -> None:
    """With the choice that wins them, and the answer's short nights."""
    first, second, third = three()
    third = replace(third, spreads={"nights_short": Spread(5.0, 16.0)})
    second = replace(second, cheapest_in=20)
    words = AppraisalWords(appraisal((first, second, third), draws=20, spread_percent=25.0))
    assert remarks(words)[1] == (
        "But no two days are alike: of 20 years drawn at random around the declared one, it is the"
        f" cheapest in none, and “{SOCKET_NIGHT}” in 20. In these years, 5 to 16 of its nights are"
        f" short for the departure. In the declared year's figures “{SOCKET_NIGHT}” costs NZD 916"
        " more over 8 years."
    )
    lines = nights_short(words)
    assert f"{POINT}: in the declared year every night has enough for the departure." in lines
    assert f"{POINT}: in the years drawn, 5 to 16 nights a year are short." in lines


def test_what_would_change_it_is_a_sentence_each() -> None:
    """Distance, cheapest rate, outlay: at which value, now, and which choice then."""
    words = AppraisalWords(appraisal())
    assert changes(words) == [
        f"Below 13,498 km a year (20,000 km now), “{SOCKET_NIGHT}” would take its place.",
        "Driving more, up to 80,000 km a year, would not change it.",
        (
            "With the rate of “night” in “Night rates” above 0.2016 NZD per kWh (0.1380 now),"
            f" “{SOCKET_NIGHT}” would cost less."
        ),
        (
            f"With an outlay of more than NZD 2,815 for “{POINT}” (1,900 now), “{SOCKET_NIGHT}”"
            " would cost less."
        ),
    ]
    assert in_short(words) == (
        "It would lose its place below 13,498 km a year, or with the rate of night above 0.2016 NZD"
        " per kWh, or with an outlay above NZD 2,815."
    )


def test_a_place_lost_by_nights_short_says_so() -> None:
    """A rival may win only because the answer leaves more nights short."""
    even = evens(distance_per_year=(BreakEven(KM, 41_000.0, SOCKET, by_shortage=True),))
    sentences = changes(AppraisalWords(appraisal(break_even=even)))
    assert sentences[0].endswith(
        f"would take its place, since “{POINT}” would leave more nights short."
    )


def test_a_place_lost_by_charging_elsewhere_says_so() -> None:
    """The same for energy that has no price."""
    even = evens(distance_per_year=(BreakEven(KM, 41_000.0, SOCKET, by_elsewhere=True),))
    sentences = changes(AppraisalWords(appraisal(break_even=even)))
    assert sentences[0].endswith(
        f"would take its place, since “{POINT}” would leave more to be charged elsewhere."
    )


def test_distances_are_in_the_unit_of_the_file() -> None:
    """One mile is 1.609344 km (NIST Special Publication 811, appendix B.8)."""
    words = AppraisalWords(appraisal(distance_unit="mile"))
    assert changes(words)[0].startswith("Below 8,387 miles a year (12,427 miles now)")
    assert longest_days(words)[2] == (
        f"{POINT}: 250 miles, of which 180 miles in the cheapest band alone."
    )


def test_without_a_distance_energy_is_shown() -> None:
    """The energy that trips take out of the battery."""
    even = evens(distance_per_year=(BreakEven(3240.0, 1500.0, SOCKET),))
    words = AppraisalWords(appraisal(distance_km=None, break_even=even))
    assert changes(words)[0] == (
        f"Below 1,500 kWh used for driving a year (3,240 kWh now), “{SOCKET}” would take its place."
    )
    assert "kWh out of the battery" in words.basis()
    assert "km" not in words.basis()


def test_only_distances_that_were_tried_are_mentioned() -> None:
    """The ends of the curve, unless both sides change the answer."""
    above = evens(distance_per_year=(BreakEven(20_000.0, 30_000.0, SOCKET),))
    assert changes(AppraisalWords(appraisal(break_even=above)))[1] == (
        "Driving less, down to 2,000 km a year, would not change it."
    )
    assert len(changes(AppraisalWords(many(2)))) == 4
    without_curve = changes(AppraisalWords(appraisal(curve=())))
    assert "Driving" not in " ".join(changes(AppraisalWords(many(2))) + without_curve)


def test_a_change_without_effect_is_mentioned() -> None:
    """Distance, rate and outlay alike."""
    never = BreakEven(0.138, None, None)
    even = evens(distance_per_year=(), rate=never, outlay=BreakEven(1900.0, None, None))
    words = AppraisalWords(appraisal(break_even=even))
    assert changes(words) == [
        "Driving more or less, from 2,000 km to 80,000 km a year, would not change it.",
        (
            "No change of the rate of “night” in “Night rates” would change it (0.1380 NZD per kWh"
            " now)."
        ),
        f"No outlay for “{POINT}” would change it (NZD 1,900 now).",
    ]
    assert in_short(words) == ""


@pytest.mark.parametrize(
    ("at", "sentence"),
    [
        (
            -0.05,
            "below -0.0500 NZD per kWh (0.1380 now), “A” would cost less; that is a rate below",
        ),
        (0.05, "below 0.0500 NZD per kWh (0.1380 now), “A” would cost less."),
    ],
)
def test_a_rate_may_have_to_fall(at: float, sentence: str) -> None:
    """Even below zero, because a rival may use that tariff more."""
    words = AppraisalWords(appraisal(break_even=evens(rate=BreakEven(0.138, at, "A"))))
    assert sentence in changes(words)[2]


def test_of_a_price_series_all_prices_move() -> None:
    """The change is added to each price; there is no band to name."""
    bands = (BandYear("price", None, 3600.0, 496.8),)
    choices = (*three()[:2], replace(three()[2], by_band=bands))
    even = evens(rate=BreakEven(0.0, 0.0636, SOCKET), rate_band="price")
    words = AppraisalWords(appraisal(choices, break_even=even))
    assert changes(words)[2] == (
        "With every price of “Night rates” dearer by more than 0.0636 NZD per kWh, “Socket, one"
        " rate” would cost less."
    )
    assert "rate of" not in in_short(words)
    even = evens(rate=BreakEven(0.0, None, None), rate_band="price")
    words = AppraisalWords(appraisal(choices, break_even=even))
    assert "No change of all prices" in changes(words)[2]


def test_nights_short_come_with_the_missing_energy() -> None:
    """For each choice that has any, or a sentence that none has."""
    assert nights_short(AppraisalWords(appraisal())) == [
        (
            f"{SOCKET_NIGHT}: 12 of 241 nights are short for the departure: 31.2 kWh at the meter"
            " in all, 6.4 kWh on the worst night."
        )
    ]
    assert nights_short(AppraisalWords(appraisal(three()[:1]))) == [
        "With every choice, each night has enough for the departure."
    ]


def test_the_longest_day_names_cheap_hours_where_they_are_fewer() -> None:
    """A tariff with one rate has no cheap hours, an unknown consumption no distance."""
    it = appraisal()
    assert longest_days(AppraisalWords(it))[0] == f"{SOCKET}: 118 km."
    unknown = tuple(replace(each, longest_day_km=None) for each in it.choices)
    assert longest_days(AppraisalWords(appraisal(unknown))) == []


@pytest.mark.parametrize(
    ("currency", "year_cost", "amount"),
    [("NZD", 99.5, "NZD 99.50"), ("NZD", 100.5, "NZD 100"), ("BHD", 99.5, "BHD 99.500")],
)
def test_small_amounts_have_decimals(currency: str, year_cost: float, amount: str) -> None:
    """As in the currency (ISO 4217, table A.1); a half is rounded to the even unit."""
    costly = replace(three()[0], year_cost=year_cost)
    words = AppraisalWords(appraisal((costly,), currency=currency))
    assert words.money(year_cost) == amount


def test_years_are_written_as_they_are() -> None:
    """One, some, and a part of one."""
    assert [AppraisalWords(appraisal(lifetime=Lifetime(it))).years for it in (1.0, 8.0, 2.5)] == [
        "1 year",
        "8 years",
        "2.5 years",
    ]


@pytest.mark.parametrize(
    ("km", "unit", "written"),
    [
        (0.0, "km", "0 km"),
        (1.0, "km", "1 km"),
        (0.75, "km", "0.8 km"),
        (KM_PER_MILE, "mile", "1 mile"),
        (2 * KM_PER_MILE, "mile", "2 miles"),
        (32_000.0, "km", "32,000 km"),
    ],
)
def test_small_distances_read_right(km: float, unit: str, written: str) -> None:
    """One mile is no miles, and less than one is not nothing."""
    words = AppraisalWords(appraisal(distance_km=km, distance_unit=unit, trips_kwh=0.2))
    assert words.driven(km) == written
    assert f"{written}, 0.2 kWh out of the battery" in words.basis()


def test_what_the_home_pays_more_is_explained() -> None:
    """Once for choices that are alike; the third is on the first one's tariff."""
    first, second, third = three()
    third = replace(third, standing_charge_difference=0.0, home_cost_difference=-20.0)
    lines = AppraisalWords(appraisal((first, second, third))).differences()
    own = (
        f"With “{SOCKET_NIGHT}”, compared with “{SOCKET}”, standing charges are NZD 36 a year more"
    )
    assert lines[0] == f"{own}: they are another tariff's, or those of one more meter."
    home = f"With “{POINT}”, compared with “{SOCKET}”, what the rest of the home uses costs NZD 20"
    why = "it is the same energy in the same hours, at this choice's rates."
    assert lines[1:] == [f"{home} a year less: {why}"]


def test_ranges_say_how_many_draws_would_do() -> None:
    """Few draws, many draws, and none."""
    third = three()[2]
    for error, said in (
        (80.0, "some 260 draws would bring that to 5 % of the range."),
        (4, "little."),
    ):
        spread = {"total_over_years": Spread(6000.0, 7000.0, error, error / 2)}
        drawn = (*three()[:2], replace(third, spreads=spread))
        words = AppraisalWords(appraisal(drawn, draws=100))
        assert f"is itself sure to about NZD {error:.0f} (standard error)" in words.ranges()
        assert words.ranges().endswith(said)
