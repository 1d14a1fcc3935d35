"""Keep how the charge points share the main fuse, and hand it to their controllers."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from daemon.control.state import Allotment
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

    from daemon.control.state import House, PointState
    from planners.power.allowed_currents import AmpsSpan


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
        self._claims: dict[str, Mapping[str, Claim]] = {}
        self._loaded: House | None = None
        self._house: House | None = None
        self._is_shared = False

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

    def house_beside(self, charge_point: str, loaded: House) -> House:
        """Return the household as the controller of one charge point sees it.

        Parameters
        ----------
        charge_point : str
            Its name in the household file.
        loaded : House
            The household file and the rates in force.

        Returns
        -------
        House
            With what the other charge points may draw.
        """
        house = self.house(loaded)
        if not self._is_shared:
            return house
        return replace(house, others=claims_beside(self._sharing, charge_point))

    def house_to_try(self, charge_point: str, loaded: House) -> House:
        """Return the same for a preview: what is planned with it changes nothing."""
        trial = FuseKeeper(self._states)
        trial._sharing = self._sharing
        return trial.house_beside(charge_point, loaded)

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
        if self._is_shared:
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
        if self._loaded is None or not self._is_shared:
            return [], []
        self._sharing = planned_together(self._sharing, self._states, now, self._loaded)
        allotted, waiting = [], []
        for name, state in self._states.items():
            seen = self._seen.get(name, Sharing())
            if seen is not self._sharing and allotment_changed(seen, self._sharing, name, now):
                allotted.append(name)
            elif state.waits_for_others and self._claims.get(name) != self._sharing.claims:
                waiting.append(name)
            self._seen[name] = self._sharing
            self._claims[name] = self._sharing.claims
        return allotted, waiting

    def due(self) -> datetime | None:
        """Return when the sharing must be looked at even if nothing happens."""
        ends = [
            span.end
            for state in self._states.values()
            if state.waits_for_others
            for name, claim in self._sharing.claims.items()
            if name != state.charge_point
            for span in claim.earlier
        ]
        return min((at for at in (*ends, self._sharing.due) if at is not None), default=None)

    def _allot(self, state: PointState, now: datetime) -> Allotment:
        if self._loaded is None:
            return Allotment()
        states = {**self._states, state.charge_point: state}
        self._sharing = planned_together(self._sharing, states, now, self._loaded)
        self._seen[state.charge_point] = self._sharing
        return allotment_of(self._sharing, state.charge_point)
