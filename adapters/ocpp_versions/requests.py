"""What every version of OCPP can ask equipment for."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Protocol

if TYPE_CHECKING:
    from adapters.ocpp_point.abilities import Abilities, Purpose
    from adapters.ocpp_point.state import TransactionId

ID_TAG = "lullwatt"
"""Names who starts a transaction; OCPP 1.6 allows 20 characters."""
HOME_SECONDS = "10"
"""A reading of the home's load is trusted for 30 seconds."""
SAMPLE_SECONDS = "60"

Profile = dict[str, Any]
"""A `ChargingProfile` as `charging_profile` makes it, which is that of OCPP 1.6."""


class Requests(Protocol):
    """Makes the requests of one version for one charge point."""

    def start(self, profile: Profile | None = None) -> object:
        """Make the request to begin a transaction, with or without a profile for it."""
        ...

    def stop(self, transaction: TransactionId) -> object:
        """Make the request to end a transaction."""
        ...

    def set_profile(self, profile: Profile) -> object:
        """Make the request to store a profile."""
        ...

    def clear(self, purpose: Purpose, level: int) -> tuple[object, object]:
        """Make two requests to clear the daemon's profile of a purpose: by number, and by kind."""
        ...

    def schedule(self, seconds: int) -> object:
        """Make the request that asks what all profiles together allow."""
        ...

    async def abilities(self, known: Abilities) -> Abilities | None:
        """Ask what the equipment can; None if it says nothing."""
        ...

    async def status(self) -> bool:
        """Ask for the present status and meter values; return whether meter values will come."""
        ...

    async def samples(self) -> None:
        """Ask for samples of power and energy once a minute; a refusal does no harm."""
        ...
