"""How long a password waits after wrong ones, by identity and by address."""

from __future__ import annotations

import pytest

from adapters.host.wrong_passwords import (
    ALERT_AFTER,
    FORGOTTEN_SECONDS,
    MOST_HELD_SECONDS,
    MOST_ROWS,
    MOST_SECONDS,
    WrongPasswords,
)

STRANGER, HOME = "10.0.0.9", "10.0.0.2"


def after(times: int, address: str = STRANGER) -> WrongPasswords:
    wrong = WrongPasswords()
    for _ in range(times):
        wrong.note_wrong("driveway-1", address, 0.0)
    return wrong


def test_the_wait_doubles_up_to_a_minute() -> None:
    """The address waits for whatever it tries, and less as time passes."""
    waits = [after(times).wait_seconds("driveway-1", STRANGER, 0.0) for times in range(12)]
    assert waits == pytest.approx([0, 0.1, 0.2, 0.4, 0.8, 1.6, 3.2, 6.4, 12.8, 25.6, 51.2, 60])
    assert after(10_000).wait_seconds("driveway-1", STRANGER, 0.0) == MOST_SECONDS
    assert after(12).wait_seconds("shed-1", STRANGER, 20.0) == pytest.approx(40)
    assert after(12).wait_seconds("driveway-1", STRANGER, 60.0) == MOST_HELD_SECONDS


def test_the_identity_waits_a_few_seconds_at_any_other_address() -> None:
    """Many addresses gain little, and the right password is never kept out."""
    wrong = after(12)
    assert wrong.wait_seconds("driveway-1", HOME, 0.0) == MOST_HELD_SECONDS
    assert wrong.wait_seconds("shed-1", HOME, 0.0) == 0


def test_equipment_does_not_wait_where_it_was_let_in_last() -> None:
    """A stranger elsewhere delays it by nothing; wrong passwords from there still do."""
    wrong = after(12)
    wrong.note_right("driveway-1", HOME)
    assert wrong.wait_seconds("driveway-1", HOME, 0.0) == 0
    wrong.note_wrong("shed-1", HOME, 0.0)
    assert wrong.wait_seconds("driveway-1", HOME, 0.0) == pytest.approx(0.1)


def test_a_right_password_forgives_only_its_own_identity() -> None:
    """With one password nobody can guess at another one without waiting."""
    wrong = after(8)
    wrong.note_right("shed-1", STRANGER)
    assert wrong.wait_seconds("driveway-1", STRANGER, 0.0) == pytest.approx(12.8)
    wrong.note_right("driveway-1", STRANGER)
    assert wrong.wait_seconds("driveway-1", STRANGER, 0.0) == 0


def test_only_a_long_wait_bars_an_address() -> None:
    """A short one is waited for with the connection open."""
    assert not after(5).bars(STRANGER, 0.0)
    assert after(6).bars(STRANGER, 0.0)
    assert not after(6).bars(HOME, 0.0)
    assert not after(6).bars(STRANGER, 1.0)


def test_an_hour_later_all_is_forgotten() -> None:
    """Without another wrong password in between."""
    wrong = after(20)
    assert wrong.wait_seconds("driveway-1", HOME, FORGOTTEN_SECONDS - 1) > 0
    assert wrong.wait_seconds("driveway-1", HOME, FORGOTTEN_SECONDS) == 0
    assert wrong.alarm(FORGOTTEN_SECONDS) is None


def test_ten_raise_the_alarm() -> None:
    """For one identity, from whatever addresses, or from one address, whatever it tries."""
    assert after(ALERT_AFTER - 1).alarm(1.0) is None
    message = f"10 lately, the last one for driveway-1 from {STRANGER}"
    assert after(ALERT_AFTER).alarm(1.0) == message
    by_identity, by_address, neither = WrongPasswords(), WrongPasswords(), WrongPasswords()
    for number in range(ALERT_AFTER):
        by_identity.note_wrong("driveway-1", f"10.0.1.{number}", number)
        by_address.note_wrong("" if number % 2 else "driveway-1", STRANGER, number)
        neither.note_wrong(f"point-{number}", f"10.0.1.{number}", number)
    assert by_identity.alarm(20.0) == "10 lately, the last one for driveway-1 from 10.0.1.9"
    assert by_address.alarm(20.0) == (
        f"10 lately, the last one for an unknown identity from {STRANGER}"
    )
    assert neither.alarm(20.0) is None


def test_the_memory_is_bounded() -> None:
    """The oldest row goes; a flood of addresses does not free one that goes on trying."""
    wrong = after(6)
    for number in range(MOST_ROWS - 1):
        wrong.note_wrong("driveway-1", f"address {number}", 1.0)
    assert wrong.bars(STRANGER, 0.0)
    wrong.note_wrong("driveway-1", STRANGER, 2.0)
    wrong.note_wrong("driveway-1", HOME, 3.0)
    assert wrong.wait_seconds("", "address 0", 1.0) == 0
    assert wrong.wait_seconds("", "address 1", 1.0) > 0
    assert wrong.bars(STRANGER, 2.0)
