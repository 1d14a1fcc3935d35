"""What a household declares: its models, how a file is read, errors that name file and line."""

from __future__ import annotations

from config.bands import band_table, names_holidays
from config.choices import Choice, ChoicesFile
from config.choices_loading import load_choices
from config.currencies import minor_units
from config.errors import (
    BusError,
    Fault,
    FileError,
    LedgerDamaged,
    LedgerError,
    LullwattError,
    MetricsError,
    TariffError,
    UnwellError,
    UsageError,
)
from config.household import (
    DAY_KINDS,
    WEEKDAYS,
    Band,
    Bus,
    ChargePoint,
    DayKind,
    Departure,
    Hours,
    Household,
    HouseholdFile,
    KnownLoad,
    Ledger,
    Metrics,
    OcppListener,
    OcppPoint,
    PriceFile,
    Tariff,
    Vehicle,
    Weekday,
)
from config.loading import load_household
from config.names import topic_level
from config.public_holidays import holiday_dates
from config.schema import choices_schema, household_schema
from config.series import PricePoint, load_prices
from config.zones import use_pinned_zones, zone_data_version

__all__ = [
    "DAY_KINDS",
    "WEEKDAYS",
    "Band",
    "Bus",
    "BusError",
    "ChargePoint",
    "Choice",
    "ChoicesFile",
    "DayKind",
    "Departure",
    "Fault",
    "FileError",
    "Hours",
    "Household",
    "HouseholdFile",
    "KnownLoad",
    "Ledger",
    "LedgerDamaged",
    "LedgerError",
    "LullwattError",
    "Metrics",
    "MetricsError",
    "OcppListener",
    "OcppPoint",
    "PriceFile",
    "PricePoint",
    "Tariff",
    "TariffError",
    "UnwellError",
    "UsageError",
    "Vehicle",
    "Weekday",
    "band_table",
    "choices_schema",
    "holiday_dates",
    "household_schema",
    "load_choices",
    "load_household",
    "load_prices",
    "minor_units",
    "names_holidays",
    "topic_level",
    "use_pinned_zones",
    "zone_data_version",
]
