"""`start-file` on a pseudo-terminal: questions, defaults, reasons, and a file."""

from __future__ import annotations

from pathlib import Path

from config.household.loading import load_household
from daemon.start_file.questions import FIXED_CAUTION, SOCKET_CAUTION, WIRING_CAUTION
from tests.daemon.start_file.runs import on_terminal

RATES = ["", "", "", "", "23:00-07:00", "0.15", "0.3"]
"""Enter until the first rate, and the answers that have no default."""


def test_enter_takes_every_default(tmp_path: Path) -> None:
    """The file has the machine's time zone and the currency of its country."""
    dialogue = on_terminal(tmp_path, RATES)
    assert dialogue.code == 0, dialogue.screen
    assert "answer [Pacific/Auckland]: " in dialogue.screen
    assert "answer [NZD]: " in dialogue.screen
    assert dialogue.screen.rstrip().splitlines()[-2:] == [
        "  lullwatt check house.yaml",
        "  lullwatt rehearse house.yaml",
    ]
    file = load_household(tmp_path / "house.yaml")
    assert (file.household.timezone, file.household.currency) == ("Pacific/Auckland", "NZD")
    assert file.charge_points["outlet"].max_amps == 10


def test_the_outlet_is_asked_about_with_its_cautions(tmp_path: Path) -> None:
    """Before the question about amperes; the file repeats those that concern it."""
    screen = on_terminal(tmp_path, RATES).screen
    asked = screen.index("Is the car charged from a household socket")
    for caution in (SOCKET_CAUTION, FIXED_CAUTION, WIRING_CAUTION):
        assert asked < screen.index(f"Caution: {caution}") < screen.index("How many amperes")
    text = " ".join((tmp_path / "house.yaml").read_text("utf-8").replace("\n# ", " ").split())
    assert SOCKET_CAUTION in text
    assert WIRING_CAUTION in text
    assert FIXED_CAUTION not in text


def test_a_bad_answer_is_asked_for_again_with_the_reason(tmp_path: Path) -> None:
    """With the reason that the household file would give; good answers stay."""
    dialogue = on_terminal(
        tmp_path,
        [
            "...", "Miro: the 2nd", "Pacific/Aukland", "Pacific/Auckland", "dollars", "NZD",
            "cheap", "cheap_hours", "9pm-7am, noon", "9pm-7am", "0,168", "0.168", "0.305", "", "",
            "", "", "15", "wall", "socket", "16", "8",
        ],
    )  # fmt: skip
    assert dialogue.code == 0, dialogue.screen
    for reason in (
        'a name of up to 64 characters with a letter a-z or a digit in it, got "..."',
        'got "Pacific/Aukland"; did you mean "Pacific/Auckland"?',
        'currency: expected an ISO 4217 currency such as NZD, got "dollars"',
        'tariff: expected cheap_hours, one_rate or price_series, got "cheap"',
        'cheap_hours[0]: expected hours of the local clock such as "21:00-07:00", got "9pm-7am"',
        'cheap_rate: expected a number of NZD per kWh, got "0,168"; write 0.168',
        'outlet: expected socket or charge_point, got "wall"',
        "amps: expected 10 A or less in charging mode 2, got 16; more for hours needs",
    ):
        assert reason in dialogue.screen
    file = load_household(tmp_path / "house.yaml")
    assert file.household.name == "Miro: the 2nd"
    cheap, other = file.tariffs[0].bands or ()
    assert [str(each) for each in cheap.hours or ()] == ["21:00-07:00"]
    assert (str(cheap.rate), str(other.rate)) == ("0.168", "0.305")
    assert file.charge_points["outlet"].max_amps == 8


def test_enter_invents_no_rate(tmp_path: Path) -> None:
    """Enter is refused until there is an answer of the reader's own."""
    typed = ["", "", "", "", "", "23:00-07:00", "", "", "0.15", "", "0.3"]
    dialogue = on_terminal(tmp_path, typed)
    assert dialogue.code == 0, dialogue.screen
    assert dialogue.screen.count("  expected your own answer\n") == 3
    assert dialogue.screen.count("  expected your own answer, such as 23:00-07:00\n") == 1
    bands = load_household(tmp_path / "house.yaml").tariffs[0].bands or ()
    assert [str(band.rate) for band in bands] == ["0.15", "0.3"]


def test_a_rate_in_the_wrong_unit_is_doubted_until_it_is_typed_again(tmp_path: Path) -> None:
    """A rate of 26.2 is probably in cents; the second time it counts."""
    typed = ["", "", "", "", "23:00-07:00", "15", "0.15", "30", "30"]
    dialogue = on_terminal(tmp_path, typed)
    assert dialogue.code == 0, dialogue.screen
    for doubt in ("15 NZD per kWh? 0.15 is usual.", "30 NZD per kWh? 0.3 is usual."):
        assert dialogue.screen.count(f"{doubt} If it is right, type it again.") == 1
    bands = load_household(tmp_path / "house.yaml").tariffs[0].bands or ()
    assert [str(band.rate) for band in bands] == ["0.15", "30"]


def test_leaving_in_the_middle_writes_nothing(tmp_path: Path) -> None:
    """The end of input (Ctrl-D) ends it with exit code 130, and leaves no file."""
    dialogue = on_terminal(tmp_path, ["Miro Cottage", "\x04"])
    assert dialogue.code == 130
    assert dialogue.screen.endswith("stopped\n")
    assert list(tmp_path.iterdir()) == []


def test_an_existing_file_is_refused_before_the_first_question(tmp_path: Path) -> None:
    """So nobody answers twenty questions for nothing."""
    (tmp_path / "house.yaml").write_text("mine")
    dialogue = on_terminal(tmp_path, [])
    assert dialogue.code == 2
    assert dialogue.screen == "house.yaml: the file already exists (--overwrite replaces it)\n"
    assert (tmp_path / "house.yaml").read_text() == "mine"
