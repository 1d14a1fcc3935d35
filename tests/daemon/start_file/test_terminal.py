"""`start-file` on a real (pseudo) terminal: questions, defaults, reasons, and a file at the end."""

from __future__ import annotations

from pathlib import Path

from config.household.loading import load_household
from daemon.start_file.questions import FIXED_CAUTION, LAST_WORD, SOCKET_CAUTION
from tests.daemon.start_file.runs import on_terminal


def test_enter_alone_takes_every_default(tmp_path: Path) -> None:
    """A file stands there at the end, with the machine's time zone and its country's currency."""
    spoken = on_terminal(tmp_path, [])
    assert spoken.code == 0, spoken.screen
    assert "answer [Pacific/Auckland]: " in spoken.screen
    assert "answer [NZD]: " in spoken.screen
    assert spoken.screen.rstrip().splitlines()[-2:] == [
        "  lullwatt check house.yaml",
        "  lullwatt rehearse house.yaml",
    ]
    file = load_household(tmp_path / "house.yaml")
    assert (file.household.timezone, file.household.currency) == ("Pacific/Auckland", "NZD")
    assert file.charge_points["outlet"].max_amps == 10


def test_the_outlet_is_asked_about_with_its_cautions(tmp_path: Path) -> None:
    """Before anybody says what may be drawn from it; and the file repeats what concerns it."""
    screen = on_terminal(tmp_path, []).screen
    asked = screen.index("Is the car charged from a household socket")
    for caution in (SOCKET_CAUTION, FIXED_CAUTION, LAST_WORD):
        assert asked < screen.index(f"Caution: {caution}") < screen.index("How many amperes")
    text = " ".join((tmp_path / "house.yaml").read_text("utf-8").replace("\n# ", " ").split())
    assert SOCKET_CAUTION in text
    assert LAST_WORD in text
    assert FIXED_CAUTION not in text


def test_a_bad_answer_is_asked_for_again_with_the_reason(tmp_path: Path) -> None:
    """The reason is that of the household file; what was good stays."""
    spoken = on_terminal(
        tmp_path,
        [
            "...", "Miro: the 2nd", "Pacific/Aukland", "Pacific/Auckland", "dollars", "NZD",
            "cheap", "cheap_hours", "9pm-7am, noon", "9pm-7am", "0,168", "0.168", "0.305", "15",
            "wall", "socket", "16", "8",
        ],
    )  # fmt: skip
    assert spoken.code == 0, spoken.screen
    for reason in (
        'a name of up to 64 characters with a letter a-z or a digit in it, got "..."',
        'got "Pacific/Aukland"; did you mean "Pacific/Auckland"?',
        'currency: expected an ISO 4217 currency such as NZD, got "dollars"',
        'tariff: expected cheap_hours or one_rate, got "cheap"',
        'cheap_hours[0]: expected hours of the local clock such as "21:00-07:00", got "9pm-7am"',
        'cheap_rate: expected a number of NZD per kWh, got "0,168"; write 0.168',
        'outlet: expected socket or charge_point, got "wall"',
        "amps: expected 10 A or less in charging mode 2, got 16; more for hours needs",
    ):
        assert reason in spoken.screen
    file = load_household(tmp_path / "house.yaml")
    assert file.household.name == "Miro: the 2nd"
    cheap, other = file.tariffs[0].bands or ()
    assert [str(each) for each in cheap.hours or ()] == ["21:00-07:00"]
    assert (str(cheap.rate), str(other.rate)) == ("0.168", "0.305")
    assert file.charge_points["outlet"].max_amps == 8


def test_leaving_in_the_middle_writes_nothing(tmp_path: Path) -> None:
    """The end of input (Ctrl-D) ends it with exit code 130, and no file or part of one is left."""
    spoken = on_terminal(tmp_path, ["Miro Cottage", "\x04"])
    assert spoken.code == 130
    assert spoken.screen.endswith("stopped\n")
    assert list(tmp_path.iterdir()) == []


def test_a_file_that_is_there_is_refused_before_the_first_question(tmp_path: Path) -> None:
    """Nobody answers twenty questions in vain."""
    (tmp_path / "house.yaml").write_text("mine")
    spoken = on_terminal(tmp_path, [])
    assert spoken.code == 2
    assert spoken.screen == "house.yaml: there is such a file already (--overwrite replaces it)\n"
    assert (tmp_path / "house.yaml").read_text() == "mine"
