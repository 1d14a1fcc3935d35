"""Each alert in the householder's words: what is wrong, and what to do about it.

`daemon.control.alerts` says the same for whoever runs the machine.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final, NamedTuple

from daemon.control.alerts import (
    BROKER_REFUSES,
    ENDED_SHORT,
    FILE_REFUSED,
    LEDGER_REFUSES,
    NO_BACKUP,
    NO_BROKER,
    NO_DEPARTURE,
    NO_POWER,
    NO_RATE,
    NO_READING,
    NOBODY_LISTENS,
    OUT_OF_REACH,
    OVER_CURRENT,
    POWER_AFTER_STOP,
    PRICES_ENDED,
    WRONG_PASSWORDS,
)

if TYPE_CHECKING:
    from collections.abc import Mapping


class AlertWords(NamedTuple):
    """What is wrong, and what to do."""

    text: str
    advice: str


ALERT_WORDS: Final[Mapping[str, AlertWords]] = {
    NO_DEPARTURE: AlertWords(
        "Nothing is planned: no departure is known.",
        "Ask for a trip, or add a departure to the household file.",
    ),
    NO_RATE: AlertWords(
        "Nothing is planned: no price is known.",
        "Look at the tariff in the household file, or charge now.",
    ),
    OUT_OF_REACH: AlertWords(
        "There is too little time: the vehicle will not have all it needs.",
        "What can still be charged is charged. Leave later, or charge on the way.",
    ),
    NO_POWER: AlertWords(
        "Charging was started three times, and no power flows.",
        "Look at the plug and at the charge point. The vehicle may be full or have its own timer.",
    ),
    POWER_AFTER_STOP: AlertWords(
        "Charging was stopped three times, and power still flows.",
        "Go and look at the charge point. Unplug the vehicle if you are in doubt.",
    ),
    OVER_CURRENT: AlertWords(
        "The charge point takes more current than it was told.",
        "Go and look at it. If plug and cable are cool and all is in order, say so here.",
    ),
    NO_READING: AlertWords(
        "The meter has sent nothing for 15 minutes: nobody can tell whether the vehicle charges.",
        "Look whether the meter and its network work.",
    ),
    ENDED_SHORT: AlertWords(
        "The vehicle ended its charge by itself, below what it needs.",
        "Look whether the vehicle has its own limit or timer. Charge now tries again.",
    ),
    PRICES_ENDED: AlertWords(
        "No new prices have come: the hours are chosen by estimates.",
        "Look whether the price feed works.",
    ),
    BROKER_REFUSES: AlertWords(
        "The message broker refuses messages: the charge point may not hear its commands.",
        "Whoever set up Lullwatt should look at the broker's access list.",
    ),
    NOBODY_LISTENS: AlertWords(
        "The charge point is not connected: it does not hear its commands.",
        "Look whether it has power and reaches the network.",
    ),
    NO_BROKER: AlertWords(
        "The message broker was away.",
        "If this stays, restart the machine that it runs on.",
    ),
    FILE_REFUSED: AlertWords(
        "A change of the household file has a fault: the file as it was before stays in force.",
        "Run lullwatt check: it names the line.",
    ),
    LEDGER_REFUSES: AlertWords(
        "Nothing can be recorded. Charging goes on.",
        "Look whether the disk of the machine is full.",
    ),
    NO_BACKUP: AlertWords(
        "The record could not be copied. Charging goes on.",
        "Look whether the disk of the machine is full.",
    ),
    WRONG_PASSWORDS: AlertWords(
        "Somebody tries wrong passwords for a charge point.",
        "Look for equipment with an old password, or for a stranger in your network.",
    ),
}
"""By the alert's code."""
