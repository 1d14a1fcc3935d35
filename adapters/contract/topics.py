"""The topics of the bus: make them, split them, and match them with filters.

Knows MQTT's rules for topic names and filters (OASIS MQTT 3.1.1, section 4.7). Knows no payload
and opens no connection.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from config.fields.names import topic_level

if TYPE_CHECKING:
    from config.household.household_file import HouseholdFile

HOUSEHOLD_TOPICS = frozenset(
    {
        "daemon", "prices", "announcements", "load", "grid", "forecast", "carbon", "generation",
        "grid-limit",
    }
)  # fmt: skip
CHARGE_POINT_TOPICS = frozenset(
    {"command", "plan", "status", "night", "alert", "answer", "reading", "vehicle", "request"}
)
_LONGEST_FILTER_BYTES = 65_535


def is_topic_filter(text: str) -> bool:
    """Return whether `text` is a valid filter, perhaps with the wildcards + and #."""
    levels = text.split("/")
    return (
        0 < len(text.encode()) <= _LONGEST_FILTER_BYTES
        and "\0" not in text
        and all(level == "+" or "+" not in level for level in levels)
        and all("#" not in level for level in levels[:-1])
        and (levels[-1] == "#" or "#" not in levels[-1])
    )


def matches(topic_filter: str, topic: str) -> bool:
    """Return whether a subscription to a (valid) filter covers a topic."""
    wanted, given = topic_filter.split("/"), topic.split("/")
    if given[0].startswith("$") and wanted[0] in {"+", "#"}:
        return False  # [MQTT-4.7.2-1] a leading wildcard never covers the broker's own topics
    if wanted[-1] == "#":  # covers the parent level too
        wanted = wanted[:-1]
        given = given[: len(wanted)]
    return len(wanted) == len(given) and all(
        level in {"+", name} for level, name in zip(wanted, given, strict=True)
    )


@dataclass(frozen=True)
class Topics:
    """The topics of one household.

    Parameters
    ----------
    root
        The prefix of all topics, as `config` has checked it; may have several levels.
    household
        The household's name or topic level.
    """

    root: str
    household: str

    @classmethod
    def of_file(cls, file: HouseholdFile) -> Topics:
        """Return the topics of the household in a file."""
        return cls(file.bus.root, file.household.topic_level)

    @property
    def base(self) -> str:
        """The prefix of every topic of this household, without a final slash."""
        return f"{self.root}/{topic_level(self.household)}"

    @property
    def client_id(self) -> str:
        """The daemon's MQTT client id; other clients append a purpose to it."""
        return f"{topic_level(self.root)}-{topic_level(self.household)}"

    def command(self, charge_point: str) -> str:
        """Return the topic of commands: start or stop."""
        return self._of(charge_point, "command")

    def plan(self, charge_point: str) -> str:
        """Return the topic of the plan in force."""
        return self._of(charge_point, "plan")

    def status(self, charge_point: str) -> str:
        """Return the topic of the daemon's view of the charge point."""
        return self._of(charge_point, "status")

    def night(self, charge_point: str) -> str:
        """Return the topic of closed nights."""
        return self._of(charge_point, "night")

    def alert(self, charge_point: str) -> str:
        """Return the topic of alerts."""
        return self._of(charge_point, "alert")

    def reading(self, charge_point: str) -> str:
        """Return the topic of meter readings."""
        return self._of(charge_point, "reading")

    def vehicle(self, charge_point: str) -> str:
        """Return the topic of reports on the vehicle."""
        return self._of(charge_point, "vehicle")

    def request(self, charge_point: str) -> str:
        """Return the topic of a person's requests."""
        return self._of(charge_point, "request")

    def answer(self, charge_point: str) -> str:
        """Return the topic of answers to requests."""
        return self._of(charge_point, "answer")

    @property
    def daemon(self) -> str:
        """The topic that shows whether the daemon is online."""
        return f"{self.base}/daemon"

    @property
    def prices(self) -> str:
        """The topic of a price feed."""
        return f"{self.base}/prices"

    @property
    def announcements(self) -> str:
        """The topic of announced kinds of days."""
        return f"{self.base}/announcements"

    @property
    def load(self) -> str:
        """The topic of the home's own load."""
        return f"{self.base}/load"

    @property
    def forecast(self) -> str:
        """The topic of forecasts of what the home's own roofs give."""
        return f"{self.base}/forecast"

    @property
    def carbon(self) -> str:
        """The topic of carbon intensities of the grid."""
        return f"{self.base}/carbon"

    @property
    def generation(self) -> str:
        """The topic of what the home's own roofs give."""
        return f"{self.base}/generation"

    @property
    def grid(self) -> str:
        """The topic of what flows between the home and the grid."""
        return f"{self.base}/grid"

    @property
    def grid_limit(self) -> str:
        """The topic of limits of the grid operator."""
        return f"{self.base}/grid-limit"

    def hardware_subscriptions(self) -> tuple[str, ...]:
        """Return the filters of what hardware reports."""
        return (f"{self.base}/+/reading", f"{self.base}/+/vehicle")

    def request_subscriptions(self) -> tuple[str, ...]:
        """Return the filters of what must not wait: what people ask for, and grid limits."""
        return (f"{self.base}/+/request", self.grid_limit)

    def household_subscriptions(self) -> tuple[str, ...]:
        """Return the filters of what comes for the whole household."""
        return (
            self.prices,
            self.announcements,
            self.forecast,
            self.carbon,
            self.generation,
            self.load,
            self.grid,
            self.daemon,
        )

    def subscriptions(self) -> tuple[str, ...]:
        """Return the filters of all the daemon receives."""
        return (
            *self.hardware_subscriptions(),
            *self.request_subscriptions(),
            *self.household_subscriptions(),
        )

    def is_request(self, topic: str) -> bool:
        """Return whether people ask for something on this topic."""
        place = self.parse(topic)
        return place is not None and place[1] == "request"

    def is_urgent(self, topic: str) -> bool:
        """Return whether what comes on this topic must not wait: a request, or a grid limit."""
        return topic == self.grid_limit or self.is_request(topic)

    def parse(self, topic: str) -> tuple[str | None, str] | None:
        """Split a topic into its charge point and its last level.

        Returns
        -------
        tuple or None
            The charge point's topic level (None for the household's own topics) and the last level;
            None if the topic does not belong to this household.
        """
        prefix = f"{self.base}/"
        levels = topic.removeprefix(prefix).split("/")
        if not topic.startswith(prefix):
            return None
        if len(levels) == 1 and levels[0] in HOUSEHOLD_TOPICS:
            return None, levels[0]
        if len(levels) == 2 and levels[0] and levels[1] in CHARGE_POINT_TOPICS:  # noqa: PLR2004 - a charge point and a name
            return levels[0], levels[1]
        return None

    def of(self, charge_point: str) -> str:
        """Return the prefix of every topic of a charge point, without a final slash."""
        return f"{self.base}/{topic_level(charge_point)}"

    def _of(self, charge_point: str, name: str) -> str:
        return f"{self.of(charge_point)}/{name}"
