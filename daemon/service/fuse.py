"""Keep what each charge point may draw from the main fuse, and hand it to its controller.

That is, phase by phase: the fuse, less what the rest of the home draws, less what the hardware of
the other charge points may draw by the commands it was sent.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Final

from daemon.control.replanning import is_delayed
from daemon.control.state import Allotment, is_charging
from daemon.load_guard.currents import kept_amps
from daemon.load_guard.guard import LoadGuard
from daemon.sharing.claims import Claim, commanded_amps
from daemon.sharing.household import (
    Sharing,
    allotment_changed,
    allotment_of,
    claims_beside,
    to_plan,
    with_claim,
    with_plan,
)
from daemon.sharing.planning_task import JointPlanMade, plan_for
from daemon.surplus.grid_meter import GridMeter
from planners.home.allotments import plans_together
from planners.home.grid_limit import left_by_grid
from planners.power.live_load import SILENCE

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping
    from datetime import datetime

    from adapters.contract.messages import LoadOfHome
    from config.household.household_file import HouseholdFile
    from daemon.control.events import LoadRead
    from daemon.control.state import House, PointState
    from daemon.sharing.planning_task import PlanningTask
    from planners.home.left_beside import LeftByLoad
    from planners.power.allowed_currents import AmpsSpan
    from planners.power.live_load import LoadHour, LoadQuarter


LOAD_NOT_READ: Final = (
    "It keeps to its fixed part of the main fuse: the home's load is not read every"
    f" {SILENCE.total_seconds():.0f} s."
)


class FuseKeeper:
    """Keeps the sharing of one household.

    Parameters
    ----------
    states : mapping of str to PointState
        The charge points; the service changes it with each step.
    ask_for_plan : callable, optional
        Has a joint plan made elsewhere, for `take_plan`. Without it, plans are made at once.
    is_preview : bool
        Whether nothing is done by what is planned.
    """

    def __init__(
        self,
        states: Mapping[str, PointState],
        ask_for_plan: Callable[[PlanningTask], None] | None = None,
        *,
        is_preview: bool = False,
    ) -> None:
        self._states = states
        self._ask_for_plan = ask_for_plan
        self._is_preview = is_preview
        self._asked: PlanningTask | None = None
        self._sharing = Sharing()
        # The allotment by which each charge point planned last.
        self._seen: dict[str, Allotment] = {}
        # What the others claimed when each charge point was stepped because of it last.
        # The joint plan after which each charge point planned last because it was delayed.
        self._caught_up: dict[str, PlanningTask | None] = {}
        self._claims: dict[str, frozenset[tuple[str, datetime, float]]] = {}
        self._shown: dict[str, frozenset[tuple[str, float]]] = {}
        self._not_given_way: dict[str, frozenset[str]] = {}
        # All claims, as they were when it was last looked whether each charge point has news.
        self._looked_at: dict[str, Mapping[str, Claim]] = {}
        self._loaded: House | None = None
        self._house: House | None = None
        self._is_shared = False
        self._guard = LoadGuard()
        self.grid = GridMeter()
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
        if self._loaded is not loaded:
            self._house, self._loaded = None, loaded
            self._sharing = replace(
                self._sharing, allotted={}, rests_on={}, house=None, due=None, task=None
            )
        if self._house is None:
            self._is_shared = plans_together(loaded.file)
            self._house = replace(loaded, allot=self._allot) if self._is_shared else loaded
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
        limits = self._limits(now, house.file)
        state = self._states.get(charge_point)
        if state is not None:
            followed = self.grid.followed(state, now, house.file)
            house = replace(house, followed=followed) if followed is not None else house
        if not self._is_shared and not limits:
            return house
        kept = self._kept_now(now, house.file) if self._kept is None else self._kept
        return replace(
            house,
            others=claims_beside(self._sharing, charge_point),
            left_by_load=limits,
            kept_amps=kept.get(charge_point, 0.0),
        )

    def for_preview(self) -> FuseKeeper:
        """Return another keeper in the same state: what is planned with it changes nothing."""
        trial = FuseKeeper(self._states, self._ask_for_plan, is_preview=True)
        trial._sharing, trial._guard, trial.grid = self._sharing, self._guard, self.grid
        trial._loaded, trial._asked = self._loaded, self._sharing.task
        return trial

    def suppose(self, state: PointState) -> None:
        """Take a charge point to be in another state, in a keeper for previews."""
        self._states = {**self._states, state.charge_point: state}

    def load_reading(self, now: datetime, file: HouseholdFile) -> LoadOfHome | None:
        """Return the latest reading of the home's load, and what it leaves, for the status."""
        found = self._guard.reading(now, file)
        if found is None or not self._is_shared:
            return found
        is_steady = self._guard.is_steady(now, file)
        return found.model_copy(update={"fixed_parts": True}) if not is_steady else found

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

    def give_way(self, loaded: House, now: datetime) -> None:
        """Let all charge points give way together to a new limit of the grid operator.

        Each is to be stepped, and `have_given_way` called.
        """
        self._kept = self._kept_now(now, self.house(loaded).file)

    def take_ended_hour(self) -> LoadHour | None:
        """Return the highest load of an hour that has ended, once, to be stored."""
        return self._guard.take_ended_hour()

    def take_ended_quarter(self) -> LoadQuarter | None:
        """Return the mean power of a quarter-hour that has ended, once, to be stored."""
        return self._guard.take_ended_quarter()

    def have_given_way(self) -> None:
        """Let each charge point keep its part of what the commands in force leave."""
        self._kept = None

    def begin(self, state: PointState, earlier: tuple[AmpsSpan, ...], now: datetime) -> None:
        """Take up what a charge point's hardware may draw by commands before this start.

        Parameters
        ----------
        state : PointState
            The charge point, as the ledger has it.
        earlier : tuple of AmpsSpan
            By all commands that have not expired.
        now : datetime
            UTC.
        """
        point = state.charge_point
        claim = Claim(earlier=earlier, lowered_at=now if earlier else None)
        self._sharing = replace(self._sharing, claims={**self._sharing.claims, point: claim})
        if state.is_load_read:
            self._guard.recall(point, commanded_amps(state, now), now)

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
        home = house.file.household
        # A limit of the grid operator may come at any time, for all charge points together.
        is_one_of_several = len(house.file.charge_points) > 1
        if home.main_fuse_amps is not None or self._is_shared or is_one_of_several:
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
            Others that waited for one that has given way since, and those that must give way to
            one that is seen to take more than it was told, or may again draw what it was told
            before: its vehicle is back, and a stop may not have reached its hardware.
        """
        if self._loaded is None:
            return [], []
        self._plan_together(self._states, now)
        self.ask_for_plan()
        allotted, waiting = [], []
        for name, state in self._states.items():
            seen, allotment = self._seen.get(name, Allotment()), self.allotment(name, now)
            has_news = self._has_news(state)
            if self._is_to_plan(state, seen, allotment, now):
                allotted.append(name)
            elif has_news:
                waiting.append(name)
            self._seen[name] = allotment
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
        late_at = self._sharing.late_at if self.is_awaited(now) else None
        dues = (*ends, self._sharing.due, late_at, self._guard.due(now), self.grid.due(now))
        return min((at for at in dues if at is not None), default=None)

    def is_awaited(self, now: datetime) -> bool:
        """Whether a joint plan is being made, and is not late."""
        return self._sharing.is_awaited(now)

    def ask_for_plan(self) -> None:
        """Have the joint plan made elsewhere, if one is missing that was not asked for yet."""
        task = self._sharing.task
        if self._ask_for_plan is not None and task is not None and task is not self._asked:
            self._ask_for_plan(task)
        self._asked = task

    def take_plan(self, made: JointPlanMade, now: datetime) -> None:
        """Take up a joint plan, if what it rests on is still the same.

        Parameters
        ----------
        made : JointPlanMade
            The plan, with what it was made from.
        now : datetime
            UTC.
        """
        self._sharing = with_plan(self._sharing, made, now)

    def _kept_now(self, now: datetime, file: HouseholdFile) -> dict[str, float]:
        limits = self._limits(now, file)
        return kept_amps(self._states, self._sharing.claims, limits, now, file) if limits else {}

    def _limits(self, now: datetime, file: HouseholdFile) -> tuple[LeftByLoad, ...]:
        """Return what the home's live load leaves, and what the grid operator allows."""
        limits = self._guard.limits(now, file)
        if not file.grid_limits:
            return limits
        return (*limits, *left_by_grid(file, now, self._guard.rest_amps(now, file)))

    def _has_news(self, state: PointState) -> bool:
        """Whether a charge point may rise, or must give way, because of what others now draw."""
        point = state.charge_point
        if self._looked_at.get(point) is self._sharing.claims:
            return False
        self._looked_at[point] = self._sharing.claims
        claims, shown = self._claimed_beside(point), self._shown_beside(point)
        back = self._not_given_way_beside(point)
        is_back = not back <= self._not_given_way.get(point, frozenset())
        may_rise = state.waits_for_others and self._claims.get(point) != claims
        is_shown = self._shown.get(point, frozenset()) != shown
        must_fall = is_charging(state) and (is_shown or is_back)
        self._claims[point], self._shown[point], self._not_given_way[point] = claims, shown, back
        return may_rise or must_fall

    def _claimed_beside(self, charge_point: str) -> frozenset[tuple[str, datetime, float]]:
        """List what the others may draw, and until when."""
        return frozenset(
            (name, span.end, span.amps)
            for name, claim in self._sharing.claims.items()
            if name != charge_point
            for span in claim.spans
        )

    def _shown_beside(self, charge_point: str) -> frozenset[tuple[str, float]]:
        """List what readings show of the others beyond their commands."""
        return frozenset(
            (name, span.amps)
            for name, claim in self._sharing.claims.items()
            if name != charge_point
            for span in claim.shown
        )

    def _not_given_way_beside(self, charge_point: str) -> frozenset[str]:
        """Name the others that may still draw by earlier commands: also one that has come back."""
        return frozenset(
            name
            for name, claim in self._sharing.claims.items()
            if name != charge_point and claim.earlier and not claim.is_open
        )

    def _allot(self, state: PointState, now: datetime) -> Allotment:
        if self._loaded is None:
            return Allotment()
        self._plan_together({**self._states, state.charge_point: state}, now)
        allotment = self.allotment(state.charge_point, now)
        self._seen[state.charge_point] = allotment
        return allotment

    def allotment(self, charge_point: str, now: datetime) -> Allotment:
        """Return what a charge point is allotted, and why."""
        file = self._loaded.file if self._loaded is not None else None
        if file is not None and self._is_shared and not self._guard.is_steady(now, file):
            return Allotment(why=(LOAD_NOT_READ,))
        return allotment_of(self._sharing, charge_point, now)

    def _plan_together(self, states: Mapping[str, PointState], now: datetime) -> None:
        """Find what must be planned together, and plan it if that is not done elsewhere."""
        if self._loaded is None or not self._is_shared:
            return
        self._sharing, task = to_plan(self._sharing, states, now, self._loaded)
        if task is None:
            return
        if self._ask_for_plan is None:
            self.take_plan(JointPlanMade(task, plan_for(task)), now)
        elif self._is_preview:
            self._sharing = replace(self._sharing, task=replace(task, is_preview=True))

    def _is_to_catch_up(self, state: PointState, now: datetime) -> bool:
        """Whether it is delayed, and the joint plan has just been made again."""
        name, task = state.charge_point, self._sharing.task
        if not self._sharing.has_plan or self._caught_up.get(name) is task or self._house is None:
            return False
        self._caught_up[name] = task
        return name in self._sharing.together and is_delayed(state, now, self._house)

    def _is_to_plan(
        self, state: PointState, seen: Allotment, allotment: Allotment, now: datetime
    ) -> bool:
        """Whether a charge point must plan with what it is allotted now."""
        if allotment.is_awaited:
            return False
        if self._is_to_catch_up(state, now):
            return True
        is_there = seen.is_awaited and state.plan_stale
        is_better_proven = self._sharing.is_refined and seen.why != allotment.why
        return is_there or is_better_proven or allotment_changed(seen, allotment, now)
