"""The names of the bus: which topic carries what, and which household and charge point it is.

Knows MQTT's rules for names and filters (OASIS MQTT 3.1.1, section 4.7); knows no payload and
opens no connection.
"""

from __future__ import annotations

from dataclasses import dataclass

from config.fields.names import topic_level as slug

__all__ = [
    "CHARGE_POINT_LEAVES",
    "HOUSEHOLD_LEAVES",
    "Topics",
    "is_topic_filter",
    "matches",
    "slug",
]

HOUSEHOLD_LEAVES = frozenset({"daemon", "prices", "load"})
CHARGE_POINT_LEAVES = frozenset(
    {"command", "plan", "status", "night", "alert", "answer", "reading", "vehicle", "request"}
)
_LONGEST_FILTER_BYTES = 65_535


def is_topic_filter(text: str) -> bool:
    """Say whether `text` may be subscribed to: `+` fills a level, `#` fills the last one."""
    levels = text.split("/")
    return (
        0 < len(text.encode()) <= _LONGEST_FILTER_BYTES
        and "\0" not in text
        and all(level == "+" or "+" not in level for level in levels)
        and all("#" not in level for level in levels[:-1])
        and (levels[-1] == "#" or "#" not in levels[-1])
    )


def matches(topic_filter: str, topic: str) -> bool:
    """Say whether a subscription to a (valid) filter covers a topic."""
    wanted, given = topic_filter.split("/"), topic.split("/")
    if given[0].startswith("$") and wanted[0] in {"+", "#"}:
        return False  # [MQTT-4.7.2-1] a wildcard at the front never covers the broker's own topics
    if wanted[-1] == "#":  # covers its parent level too
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
        The prefix all topics share, as `config` has checked it; may have several levels.
    household
        The household's name as people write it.
    """

    root: str
    household: str

    @property
    def base(self) -> str:
        """The front of every topic of this household, without a slash at its end."""
        return f"{self.root}/{slug(self.household)}"

    def command(self, charge_point: str) -> str:
        """Return the topic that tells the charge point to start or stop."""
        return self._of(charge_point, "command")

    def plan(self, charge_point: str) -> str:
        """Return the topic of the plan in force."""
        return self._of(charge_point, "plan")

    def status(self, charge_point: str) -> str:
        """Return the topic of what the daemon believes."""
        return self._of(charge_point, "status")

    def night(self, charge_point: str) -> str:
        """Return the topic of closed nights."""
        return self._of(charge_point, "night")

    def alert(self, charge_point: str) -> str:
        """Return the topic of what a person should look at."""
        return self._of(charge_point, "alert")

    def reading(self, charge_point: str) -> str:
        """Return the topic of meter readings."""
        return self._of(charge_point, "reading")

    def vehicle(self, charge_point: str) -> str:
        """Return the topic of what the charge point knows of its vehicle."""
        return self._of(charge_point, "vehicle")

    def request(self, charge_point: str) -> str:
        """Return the topic on which a person asks for something."""
        return self._of(charge_point, "request")

    def answer(self, charge_point: str) -> str:
        """Return the topic of what came of a person's requests."""
        return self._of(charge_point, "answer")

    @property
    def daemon(self) -> str:
        """The topic that says whether the daemon is online."""
        return f"{self.base}/daemon"

    @property
    def prices(self) -> str:
        """The topic of a price feed."""
        return f"{self.base}/prices"

    @property
    def load(self) -> str:
        """The topic of the home's own load."""
        return f"{self.base}/load"

    def subscriptions(self) -> tuple[str, ...]:
        """Return the filters that cover all the daemon listens to, another daemon among it."""
        by_point = tuple(f"{self.base}/+/{leaf}" for leaf in ("reading", "vehicle", "request"))
        return (*by_point, self.prices, self.load, self.daemon)

    def parse(self, topic: str) -> tuple[str | None, str] | None:
        """Take a topic apart.

        Returns
        -------
        tuple or None
            The charge point's slug (None for the household's own topics) and the last level;
            None if the topic is not one of this household's.
        """
        front = f"{self.base}/"
        levels = topic.removeprefix(front).split("/")
        if not topic.startswith(front):
            return None
        if len(levels) == 1 and levels[0] in HOUSEHOLD_LEAVES:
            return None, levels[0]
        if len(levels) == 2 and levels[0] and levels[1] in CHARGE_POINT_LEAVES:  # noqa: PLR2004 - a point and a leaf
            return levels[0], levels[1]
        return None

    def of(self, charge_point: str) -> str:
        """Return the front of every topic of a charge point, without a slash at its end."""
        return f"{self.base}/{slug(charge_point)}"

    def _of(self, charge_point: str, leaf: str) -> str:
        return f"{self.of(charge_point)}/{leaf}"
