"""What a household declares: its models, how a file is read, errors that name file and line."""

from __future__ import annotations

from config.choices.choices_file import Choice, ChoicesFile
from config.choices.loading import load_choices
from config.fields.currencies import minor_units
from config.fields.names import topic_level
from config.fields.public_holidays import holiday_dates
from config.fields.zones import use_pinned_zones, zone_data_version
from config.files.errors import (
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
from config.files.series import PricePoint, load_prices
from config.household.household_file import (
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
from config.household.loading import load_household
from config.schema import choices_schema, household_schema
from config.tariffs.bands import band_table, names_holidays

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
