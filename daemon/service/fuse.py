"""Keep what each charge point may draw from the main fuse, and hand it to its controller.

That is, phase by phase: the fuse, less what the rest of the home draws, less what the hardware of
the other charge points may draw by the commands it was sent.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from daemon.control.state import Allotment
from daemon.load_guard.currents import kept_amps
from daemon.load_guard.guard import LoadGuard
from daemon.sharing.claims import Claim
from daemon.sharing.household import (
    Sharing,
    allotment_changed,
    allotment_of,
    claims_beside,
    planned_together,
    with_claim,
)
from planners.home.allotments import shares_by_plan

if TYPE_CHECKING:
    from collections.abc import Mapping
    from datetime import datetime

    from adapters.contract.messages import LoadOfHome
    from config.household.household_file import HouseholdFile
    from daemon.control.events import LoadRead
    from daemon.control.state import House, PointState
    from planners.power.allowed_currents import AmpsSpan
    from planners.power.live_load import LoadHour


class FuseKeeper:
    """Keeps the sharing of one household.

    Parameters
    ----------
    states : mapping of str to PointState
        The charge points; the service changes it with each step.
    """

    def __init__(self, states: Mapping[str, PointState]) -> None:
        self._states = states
        self._sharing = Sharing()
        # The sharing by which each charge point planned last.
        self._seen: dict[str, Sharing] = {}
        # The claims when each charge point that waits was stepped last.
        self._claims: dict[str, frozenset[tuple[str, datetime, float]]] = {}
        self._loaded: House | None = None
        self._house: House | None = None
        self._is_shared = False
        self._guard = LoadGuard()
        # While the charge points give way to the home's load one after the other, each keeps this.
        self._kept: dict[str, float] | None = None

    @property
    def sharing(self) -> Sharing:
        """The sharing in force."""
        return self._sharing

    def house(self, loaded: House) -> House:
        """Return the household as its controllers see it.

        Parameters
        ----------
        loaded : House
            The household file and the rates in force.

        Returns
        -------
        House
            With the means to ask for an allotment.
        """
        if self._house is None or self._loaded is not loaded:
            self._loaded = loaded
            self._is_shared = shares_by_plan(loaded.file)
            self._house = replace(loaded, allot=self._allot) if self._is_shared else loaded
            self._sharing = replace(self._sharing, allotted={}, rests_on={}, house=None, due=None)
        return self._house

    def house_beside(self, charge_point: str, loaded: House, now: datetime) -> House:
        """Return the household as the controller of one charge point sees it.

        Parameters
        ----------
        charge_point : str
            Its name in the household file.
        loaded : House
            The household file and the rates in force.
        now : datetime
            UTC.

        Returns
        -------
        House
            With what the rest of the home and the other charge points may draw.
        """
        house = self.house(loaded)
        limits = self._guard.limits(now, house.file)
        if not self._is_shared and not limits:
            return house
        kept = self._kept_now(now, house.file) if self._kept is None else self._kept
        return replace(
            house,
            others=claims_beside(self._sharing, charge_point),
            left_by_load=limits,
            kept_amps=kept.get(charge_point, 0.0),
        )

    def house_to_try(self, charge_point: str, loaded: House, now: datetime) -> House:
        """Return the same for a preview: what is planned with it changes nothing."""
        trial = FuseKeeper(self._states)
        trial._sharing, trial._guard = self._sharing, self._guard
        return trial.house_beside(charge_point, loaded, now)

    def load_reading(self, now: datetime, file: HouseholdFile) -> LoadOfHome | None:
        """Return the latest reading of the home's load, and what it leaves, for the status."""
        return self._guard.reading(now, file)

    def take_load(self, event: LoadRead, now: datetime, file: HouseholdFile) -> bool:
        """Take up a reading of the home's load.

        Parameters
        ----------
        event : LoadRead
            The reading.
        now : datetime
            UTC.
        file : HouseholdFile
            The household.

        Returns
        -------
        bool
            Whether it leaves another current. Then each charge point is to be stepped, and
            `have_given_way` called: until then each keeps its part, because all give way together.
        """
        if not self._guard.take(event, self._states, self._sharing.claims, now, file):
            return False
        self._kept = self._kept_now(now, file)
        return True

    def take_ended_hour(self) -> LoadHour | None:
        """Return the highest load of an hour that has ended, once, to be stored."""
        return self._guard.take_ended_hour()

    def have_given_way(self) -> None:
        """Let each charge point keep its part of what the commands in force leave."""
        self._kept = None

    def begin(self, charge_point: str, earlier: tuple[AmpsSpan, ...], now: datetime) -> None:
        """Take up what a charge point's hardware may draw by commands before this start.

        Parameters
        ----------
        charge_point : str
            Its name in the household file.
        earlier : tuple of AmpsSpan
            By all commands that have not expired.
        now : datetime
            UTC.
        """
        claim = Claim(earlier=earlier, lowered_at=now if earlier else None)
        claims = {**self._sharing.claims, charge_point: claim}
        self._sharing = replace(self._sharing, claims=claims)

    def after_step(self, state: PointState, now: datetime, house: House) -> None:
        """Take up what a charge point's hardware may draw after a step.

        Parameters
        ----------
        state : PointState
            The charge point after the step.
        now : datetime
            UTC.
        house : House
            The household file and the rates.
        """
        if house.file.household.main_fuse_amps is not None or self._is_shared:
            self._sharing = with_claim(self._sharing, state, now, house.file)

    def to_step(self, now: datetime) -> tuple[list[str], list[str]]:
        """Return the charge points that must be stepped because of what others do.

        Parameters
        ----------
        now : datetime
            UTC.

        Returns
        -------
        allotted : list of str
            Those to which the joint plan allots other currents than they planned with.
        waiting : list of str
            Others that waited for one that has given way since.
        """
        if self._loaded is None:
            return [], []
        if self._is_shared:
            self._sharing = planned_together(self._sharing, self._states, now, self._loaded)
        allotted, waiting = [], []
        for name, state in self._states.items():
            seen, claims = self._seen.get(name, Sharing()), self._claimed_beside(name)
            if seen is not self._sharing and allotment_changed(seen, self._sharing, name, now):
                allotted.append(name)
            elif state.waits_for_others and self._claims.get(name) != claims:
                waiting.append(name)
            self._seen[name], self._claims[name] = self._sharing, claims
        return allotted, waiting

    def due(self, now: datetime) -> datetime | None:
        """Return when what may be drawn changes even if nothing happens."""
        ends = [
            span.end
            for state in self._states.values()
            if state.waits_for_others
            for name, claim in self._sharing.claims.items()
            if name != state.charge_point
            for span in claim.earlier
        ]
        dues = (*ends, self._sharing.due, self._guard.due(now))
        return min((at for at in dues if at is not None), default=None)

    def _kept_now(self, now: datetime, file: HouseholdFile) -> dict[str, float]:
        limits = self._guard.limits(now, file)
        return kept_amps(self._states, self._sharing.claims, limits, now, file) if limits else {}

    def _claimed_beside(self, charge_point: str) -> frozenset[tuple[str, datetime, float]]:
        """List what the others may draw, and until when."""
        return frozenset(
            (name, span.end, span.amps)
            for name, claim in self._sharing.claims.items()
            if name != charge_point
            for span in claim.spans
        )

    def _allot(self, state: PointState, now: datetime) -> Allotment:
        if self._loaded is None:
            return Allotment()
        states = {**self._states, state.charge_point: state}
        self._sharing = planned_together(self._sharing, states, now, self._loaded)
        self._seen[state.charge_point] = self._sharing
        return allotment_of(self._sharing, state.charge_point)
