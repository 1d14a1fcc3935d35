"""What equipment says it can do with charging profiles, and what it has been seen to refuse."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from typing import Any, Final, Literal

Unit = Literal["A", "W"]
Purpose = Literal["TxProfile", "TxDefaultProfile", "ChargePointMaxProfile"]
Feature = Literal["TxProfile", "TxDefaultProfile", "ChargePointMaxProfile", "with-start"]
"""A purpose of OCPP 1.6 (section 7.11), or a profile that comes with a RemoteStartTransaction."""

KEYS: Final = (
    "SupportedFeatureProfiles",
    "ChargingScheduleAllowedChargingRateUnit",
    "ChargingScheduleMaxPeriods",
    "ChargeProfileMaxStackLevel",
    "MaxChargingProfilesInstalled",
    "ConnectorSwitch3to1PhaseSupported",
    "NumberOfConnectors",
    "AuthorizeRemoteTxRequests",
)
"""The configuration keys that are asked for (OCPP 1.6, section 9)."""

MOST_PERIODS: Final = 20
"""Equipment that names no number is sent so many periods at most."""
SLOTS_FOR_ALL: Final = 3
"""How many profiles are installed: one of each purpose."""
SLOTS_TO_WAIT: Final = 2
"""One of a transaction, and one that a new transaction waits by."""

_UNITS: Final[dict[str, Unit]] = {"current": "A", "a": "A", "power": "W", "w": "W"}
_MOST_NUMBER: Final = 10**6
_MOST_TEXT: Final = 100


@dataclass(frozen=True)
class Abilities:
    """What one charge point can do.

    Attributes
    ----------
    model : str
        Vendor, model and firmware, as it said when it last booted.
    answered : bool
        Whether it has answered GetConfiguration, or GetVariables.
    limits_current : bool or None
        Whether it has Smart Charging; None if it does not say.
    units : tuple of {"A", "W"}
        What its schedules may be written in; empty if it does not say.
    most_periods, highest_level, most_profiles, connectors : int or None
        ChargingScheduleMaxPeriods, ChargeProfileMaxStackLevel, MaxChargingProfilesInstalled and
        NumberOfConnectors, or what OCPP 2 has for them; None if it does not say.
    switches_phases : bool or None
        ConnectorSwitch3to1PhaseSupported, or Phases3to1.
    asks_who : bool or None
        Whether a charge needs a card, an app or the daemon to begin (AuthCtrlr.Enabled).
    pause_ends : bool or None
        Whether a pause ends the transaction (EnergyTransfer in TxStopPoint).
    version : str
        The version of OCPP that it spoke then; empty for 1.6.
    accepted, refused : frozenset of Feature
        What it has accepted, and what it has refused for good.
    """

    model: str = ""
    answered: bool = False
    limits_current: bool | None = None
    units: tuple[Unit, ...] = ()
    most_periods: int | None = None
    highest_level: int | None = None
    most_profiles: int | None = None
    connectors: int | None = None
    switches_phases: bool | None = None
    asks_who: bool | None = None
    pause_ends: bool | None = None
    version: str = ""
    accepted: frozenset[str] = field(default=frozenset())
    refused: frozenset[str] = field(default=frozenset())

    def may_have(self, feature: Feature) -> bool:
        """Return whether a profile of this kind is worth trying."""
        if feature in self.refused:
            return False
        if feature in self.accepted:
            return True
        if self.limits_current is False:
            return False
        slots = self.most_profiles
        if slots is None:
            return True
        # One place only: the default profile both holds a new charge back and limits it.
        return {
            "TxProfile": slots >= SLOTS_TO_WAIT,
            "with-start": slots >= SLOTS_TO_WAIT,
            "ChargePointMaxProfile": slots >= SLOTS_FOR_ALL,
        }.get(feature, slots >= 1)

    @property
    def units_to_try(self) -> tuple[Unit, ...]:
        """The units of a schedule, the best one first."""
        return self.units or ("A", "W")

    @property
    def periods_to_send(self) -> int:
        """The most periods that a schedule may have."""
        return min(MOST_PERIODS, self.most_periods or MOST_PERIODS)

    def level(self, wanted: int) -> int:
        """Return a stack level that it has, the wanted one if possible."""
        return wanted if self.highest_level is None else min(wanted, self.highest_level)

    def accepts(self, feature: Feature) -> Abilities:
        """Return the same, having accepted a profile of this kind."""
        if feature in self.accepted and feature not in self.refused:
            return self
        return replace(self, accepted=self.accepted | {feature}, refused=self.refused - {feature})

    def refuses(self, feature: Feature) -> Abilities:
        """Return the same, having refused a profile of this kind for good."""
        return replace(self, accepted=self.accepted - {feature}, refused=self.refused | {feature})

    def to_json(self) -> dict[str, Any]:
        """Return it as JSON values."""
        return {
            "model": self.model, "answered": self.answered, "limits_current": self.limits_current,
            "units": list(self.units), "most_periods": self.most_periods,
            "highest_level": self.highest_level, "most_profiles": self.most_profiles,
            "connectors": self.connectors, "switches_phases": self.switches_phases,
            "asks_who": self.asks_who, "pause_ends": self.pause_ends, "version": self.version,
            "accepted": sorted(self.accepted), "refused": sorted(self.refused),
        }  # fmt: skip


def abilities_of(configuration: object, earlier: Abilities) -> Abilities:
    """Read an answer to GetConfiguration.

    Parameters
    ----------
    configuration
        The list `configurationKey`, its keys in snake case. What can't be read counts as not said.
    earlier
        What was known before: what has been accepted and refused stays.

    Returns
    -------
    Abilities
        What equipment says of itself now.
    """
    said = dict(_values(configuration))
    profiles = said.get("supportedfeatureprofiles")
    smart = None if profiles is None else "smartcharging" in profiles.lower().replace(" ", "")
    if smart is False and "chargeprofilemaxstacklevel" in said:
        smart = None  # it contradicts itself: it is tried
    return replace(
        earlier,
        answered=True,
        limits_current=smart,
        units=tuple(units_in(said.get("chargingscheduleallowedchargingrateunit", ""))),
        most_periods=number_in(said.get("chargingschedulemaxperiods"), least=1),
        highest_level=number_in(said.get("chargeprofilemaxstacklevel"), least=0),
        most_profiles=number_in(said.get("maxchargingprofilesinstalled"), least=1),
        connectors=number_in(said.get("numberofconnectors"), least=0),
        switches_phases=flag_in(said.get("connectorswitch3to1phasesupported")),
    )


def abilities_from_json(values: object) -> Abilities:
    """Read what was kept; what can't be read counts as not known."""
    if not isinstance(values, Mapping):
        return Abilities()
    numbers = {
        name: number_in(values.get(name), least=least)
        for name, least in (
            ("most_periods", 1), ("highest_level", 0), ("most_profiles", 1), ("connectors", 0),
        )
    }  # fmt: skip
    return Abilities(
        model=str(values.get("model", ""))[:_MOST_TEXT],
        answered=values.get("answered") is True,
        limits_current=_kept_flag(values.get("limits_current")),
        units=tuple(each for each in _texts(values.get("units")) if each in {"A", "W"}),  # type: ignore[misc]
        switches_phases=_kept_flag(values.get("switches_phases")),
        asks_who=_kept_flag(values.get("asks_who")),
        pause_ends=_kept_flag(values.get("pause_ends")),
        version=str(values.get("version", ""))[:_MOST_TEXT],
        accepted=frozenset(_texts(values.get("accepted"))),
        refused=frozenset(_texts(values.get("refused"))),
        **numbers,
    )


def _values(configuration: object) -> Iterable[tuple[str, str]]:
    if isinstance(configuration, list):
        for each in configuration:
            if isinstance(each, Mapping) and each.get("value") is not None:
                yield str(each.get("key")).lower(), str(each["value"])


def units_in(text: str) -> Iterable[Unit]:
    """Yield the units that a list names, amperes first: they say what each phase may carry."""
    found = (_UNITS.get(part.strip().lower()) for part in text.split(","))
    unique = {each for each in found if each is not None}
    yield from sorted(unique)


def number_in(value: object, *, least: int) -> int | None:
    """Return a whole number; None for anything else, and for one that can't be right."""
    if isinstance(value, bool):
        return None
    try:
        number = int(str(value))
    except ValueError:
        return None
    return number if least <= number <= _MOST_NUMBER else None


def flag_in(text: str | None) -> bool | None:
    """Return whether a text says true or false; None for anything else."""
    return None if text is None else {"true": True, "false": False}.get(text.strip().lower())


def _kept_flag(value: object) -> bool | None:
    return value if isinstance(value, bool) else None


def _texts(values: object) -> list[str]:
    if not isinstance(values, list):
        return []
    return [each for each in values if isinstance(each, str)]
