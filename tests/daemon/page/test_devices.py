"""Pairing: a code is good for ten minutes and once, and nothing secret is kept."""

from __future__ import annotations

from datetime import timedelta

import pytest

from daemon.page.devices import (
    CODE_ALPHABET,
    CODE_LENGTH,
    GOOD_FOR,
    MOST_DEVICES,
    MOST_OFFERS,
    SEEN_EVERY,
    Devices,
    TooManyDevices,
    code_words,
    new_code,
)
from tests.daemon.worlds import EVENING, MINUTE

CODE = "K7QM2XRT9WPA"


def paired(devices: Devices, name: str = "phone", token: str = "secret") -> Devices:  # noqa: S107
    offered = devices.with_offer(CODE, "ask", EVENING)
    found = offered.pair(CODE, name, EVENING, token=token, new_id=token)
    assert found is not None
    return found[0]


@pytest.mark.parametrize("typed", [CODE, "K7QM-2XRT-9WPA", " k7qm 2xrt 9wpa "])
def test_a_code_lets_one_device_in(typed: str) -> None:
    """It is read as people type it; the second time it is worth nothing."""
    devices = Devices().with_offer(CODE, "look", EVENING)
    found = devices.pair(typed, "  my \n phone ", EVENING, token="secret", new_id="1")  # noqa: S106
    assert found is not None
    after, device = found
    assert (device.name, device.role, after.offers) == ("my phone", "look", ())
    assert after.of_token("secret") == device
    assert after.pair(typed, "other", EVENING, token="other", new_id="2") is None  # noqa: S106


@pytest.mark.parametrize("typed", ["", "K7QM2XRT9WPB", CODE + CODE, "K7QM"])
def test_a_wrong_code(typed: str) -> None:
    """It lets nobody in, and the right one stays good."""
    devices = Devices().with_offer(CODE, "ask", EVENING)
    assert devices.pair(typed, "phone", EVENING, token="secret", new_id="1") is None  # noqa: S106
    assert paired(devices).of_token("secret") is not None


def test_a_code_is_good_for_ten_minutes() -> None:
    """At its end it is not."""
    devices = Devices().with_offer(CODE, "ask", EVENING)
    end = EVENING + GOOD_FOR
    assert GOOD_FOR == 10 * MINUTE
    assert devices.pair(CODE, "phone", end, token="secret", new_id="1") is None  # noqa: S106
    just_before = end - timedelta.resolution
    assert devices.pair(CODE, "phone", just_before, token="secret", new_id="1") is not None  # noqa: S106


def test_nothing_secret_is_kept() -> None:
    """Neither a code nor a token is in what goes into the file."""
    assert CODE not in repr(Devices().with_offer(CODE, "ask", EVENING))
    assert "secret" not in repr(paired(Devices(), token="secret").paired[0].token_hash)  # noqa: S106


def test_a_device_is_removed() -> None:
    """Its token is worth nothing from then on; the others stay."""
    devices = paired(paired(Devices(), token="one"), token="two")  # noqa: S106
    after = devices.without("one")
    assert after.of_token("one") is None
    assert after.of_token("two") is not None
    assert after.of_token("") is None


def test_there_are_not_endlessly_many() -> None:
    """One device too many is refused, and its code stays good; the oldest codes go."""
    devices = Devices()
    for number in range(MOST_DEVICES):
        devices = paired(devices, token=str(number))
    with pytest.raises(TooManyDevices, match="50 devices are paired"):
        paired(devices, token="more")  # noqa: S106
    assert len(paired(devices.without("0"), token="more").paired) == MOST_DEVICES  # noqa: S106
    for number in range(MOST_OFFERS + 1):
        devices = devices.with_offer(str(number), "ask", EVENING)
    assert len(devices.offers) == MOST_OFFERS
    assert devices.with_offer(CODE, "ask", EVENING + GOOD_FOR).offers[1:] == ()


def test_when_a_device_was_last_there() -> None:
    """It is noted once an hour, so that looking at the page writes no file."""
    devices = paired(Devices())
    device = devices.paired[0]
    assert devices.seen(device, EVENING + SEEN_EVERY - MINUTE) is None
    later = devices.seen(device, EVENING + SEEN_EVERY)
    assert later is not None
    assert later.paired[0].seen_at == EVENING + SEEN_EVERY


def test_codes_are_long_and_easy_to_read() -> None:
    """60 bits, in groups, without characters that look alike."""
    assert len(set(CODE_ALPHABET)) == 32
    assert not set("01OIL") - {"L"} & set(CODE_ALPHABET)
    assert len(new_code(lambda letters: letters[0])) == CODE_LENGTH == 12
    assert code_words(CODE) == "K7QM-2XRT-9WPA"
