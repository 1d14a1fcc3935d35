"""The ledger's tables, as SQL. Runs nothing.

``PRAGMA user_version`` counts the migrations of a file: a change of the schema is a new entry at
the end of `MIGRATIONS`, never an edit of an old one. Instants are whole microseconds since
1970 in UTC, energy is whole watt-hours, bodies are JSON, prices are decimal text.
"""

from __future__ import annotations

from collections.abc import Sequence

Migration = Sequence[str]
"""The statements from one version of the schema to the next."""

APPLICATION_ID = 0x4C756C6C
"""Marks a SQLite file as a Lullwatt ledger (``PRAGMA application_id``): "Lull" in ASCII."""

FIRST: Migration = (
    """
    CREATE TABLE readings (
        id INTEGER PRIMARY KEY,
        charge_point TEXT NOT NULL,
        at INTEGER NOT NULL,
        register_wh INTEGER
            CHECK (typeof(register_wh) IN ('integer', 'null') AND ifnull(register_wh, 0) >= 0),
        watts REAL,
        amps REAL
    )
    """,
    # A UNIQUE constraint treats two nulls as different, so null is indexed as the empty text.
    """
    CREATE UNIQUE INDEX readings_once ON readings
        (charge_point, at, ifnull(register_wh, ''), ifnull(watts, ''), ifnull(amps, ''))
    """,
    """
    CREATE TRIGGER readings_stay_written BEFORE UPDATE ON readings
    BEGIN SELECT raise(ABORT, 'a reading is never rewritten: a correction is a new row'); END
    """,
    """
    CREATE TRIGGER readings_stay BEFORE DELETE ON readings
    BEGIN SELECT raise(ABORT, 'a reading is never deleted: a correction is a new row'); END
    """,
    """
    CREATE TABLE vehicle_reports (
        id INTEGER PRIMARY KEY,
        charge_point TEXT NOT NULL,
        at INTEGER NOT NULL,
        pilot TEXT,
        soc_percent REAL
    )
    """,
    """
    CREATE UNIQUE INDEX vehicle_reports_once ON vehicle_reports
        (charge_point, at, ifnull(pilot, ''), ifnull(soc_percent, ''))
    """,
    """
    CREATE TABLE requests (
        id INTEGER PRIMARY KEY,
        charge_point TEXT NOT NULL,
        at INTEGER NOT NULL,
        body TEXT NOT NULL
    )
    """,
    "CREATE INDEX requests_in_time ON requests (charge_point, at)",
    """
    CREATE TABLE commands (
        charge_point TEXT NOT NULL,
        serial INTEGER NOT NULL,
        at INTEGER NOT NULL,
        do TEXT NOT NULL CHECK (do IN ('start', 'stop')),
        amps REAL,
        valid_until INTEGER NOT NULL,
        why TEXT NOT NULL,
        PRIMARY KEY (charge_point, serial)
    )
    """,
    """
    CREATE TABLE plans (
        id INTEGER PRIMARY KEY,
        charge_point TEXT NOT NULL,
        made_at INTEGER NOT NULL,
        body TEXT NOT NULL
    )
    """,
    "CREATE INDEX plans_by_point ON plans (charge_point, id)",
    """
    CREATE TABLE prices (
        id INTEGER PRIMARY KEY,
        tariff TEXT NOT NULL,
        start INTEGER NOT NULL,
        rate TEXT NOT NULL
    )
    """,
    "CREATE INDEX prices_in_time ON prices (tariff, start, id)",
    """
    CREATE TABLE alerts (
        id INTEGER PRIMARY KEY,
        charge_point TEXT,
        at INTEGER NOT NULL,
        code TEXT NOT NULL,
        message TEXT NOT NULL
    )
    """,
    """
    CREATE TABLE open_nights (
        charge_point TEXT PRIMARY KEY,
        body TEXT NOT NULL
    )
    """,
    """
    CREATE TABLE nights (
        night TEXT NOT NULL,
        charge_point TEXT NOT NULL,
        vehicle TEXT NOT NULL,
        closed_at INTEGER NOT NULL,
        body TEXT NOT NULL,
        PRIMARY KEY (night, charge_point)
    )
    """,
    """
    CREATE TABLE night_revisions (
        id INTEGER PRIMARY KEY,
        night TEXT NOT NULL,
        charge_point TEXT NOT NULL,
        vehicle TEXT NOT NULL,
        closed_at INTEGER NOT NULL,
        body TEXT NOT NULL
    )
    """,
)

SECOND: Migration = ("ALTER TABLE commands ADD COLUMN plan TEXT",)
"""A command names the plan it follows; older rows do not."""

THIRD: Migration = (
    "CREATE INDEX alerts_in_time ON alerts (at)",
    """
    CREATE TABLE retention (
        only_row INTEGER PRIMARY KEY CHECK (only_row = 1),
        kept_from INTEGER NOT NULL
    )
    """,
    "DROP TRIGGER readings_stay",
    """
    CREATE TRIGGER readings_stay BEFORE DELETE ON readings
    WHEN NOT EXISTS (SELECT 1 FROM retention WHERE kept_from > OLD.at)
    BEGIN SELECT raise(ABORT, 'a reading is never deleted: a correction is a new row'); END
    """,
)
"""Alerts are indexed by instant; only readings before `kept_from` may be removed."""

FOURTH: Migration = (
    """
    CREATE TABLE happenings (
        id INTEGER PRIMARY KEY,
        at INTEGER NOT NULL,
        what TEXT NOT NULL CHECK (what IN ('started', 'ended', 'file', 'prices')),
        body TEXT NOT NULL
    )
    """,
    "CREATE INDEX happenings_in_time ON happenings (at)",
    "CREATE INDEX commands_in_time ON commands (charge_point, at)",
    "CREATE INDEX plans_in_time ON plans (charge_point, made_at)",
)
"""Events in the daemon's life: it started or ended, loaded a file, received prices. The command
``why`` explains a night by them, and by the commands and plans of that night."""

FIFTH: Migration = (
    """
    CREATE TABLE load_hours (
        at INTEGER PRIMARY KEY,
        amps TEXT NOT NULL
    )
    """,
)
"""The highest load of the home in each hour: a JSON list of currents, one for each phase."""

SIXTH: Migration = (
    """
    CREATE TABLE load_quarters (
        at INTEGER PRIMARY KEY,
        watts INTEGER NOT NULL
    )
    """,
    """
    CREATE TABLE announcements (
        id INTEGER PRIMARY KEY,
        tariff TEXT NOT NULL,
        day TEXT NOT NULL,
        kind TEXT NOT NULL,
        hours TEXT NOT NULL
    )
    """,
    "CREATE INDEX announcements_in_time ON announcements (tariff, day, id)",
)
"""The mean power of the rest of the home in each quarter-hour, only where a tariff has a capacity
charge: nothing finer is stored of what a home draws. And kinds of days that a supplier announced
over the bus, by the local date on which each begins; `hours` are those of a kind of picked hours,
with spaces between them."""

SEVENTH: Migration = (
    """
    CREATE TABLE forecasts (
        start INTEGER PRIMARY KEY,
        issued INTEGER NOT NULL,
        watts INTEGER NOT NULL
    )
    """,
    """
    CREATE TABLE generation_hours (
        at INTEGER PRIMARY KEY,
        watts INTEGER NOT NULL
    )
    """,
    """
    CREATE TABLE grid_intervals (
        at INTEGER PRIMARY KEY,
        import_wh INTEGER NOT NULL,
        export_wh INTEGER NOT NULL
    )
    """,
)
"""Forecasts of what the home's own roofs give, which came over the bus: for each start the newest.
The mean power that the roofs gave in each hour. And what the home took from the grid, and gave to
it, in each five minutes: only where it has roofs, as the account must tell them from the grid."""

EIGHTH: Migration = (
    """
    CREATE TABLE account_changes (
        first TEXT PRIMARY KEY,
        ends TEXT NOT NULL CHECK (ends IN ('noon', 'midnight'))
    )
    """,
)
"""Since which local date the days of the account end at noon, or at midnight; before the first row
at noon."""

NINTH: Migration = (
    """
    CREATE TABLE carbon_intensities (
        start INTEGER NOT NULL,
        source TEXT NOT NULL CHECK (source IN ('bus', 'file')),
        issued INTEGER,
        grams REAL NOT NULL,
        PRIMARY KEY (start, source)
    ) WITHOUT ROWID
    """,
)
"""Carbon intensities of the grid [g CO2e per kWh], of the file and of the bus: for each start the
newest, and of a file without `issued` the last that was read."""

TENTH: Migration = (
    """
    CREATE TABLE grid_limits (
        id INTEGER PRIMARY KEY,
        at INTEGER NOT NULL,
        source TEXT NOT NULL,
        what TEXT NOT NULL CHECK (what IN ('set', 'lifted', 'ended', 'obeyed')),
        body TEXT NOT NULL
    )
    """,
    "CREATE INDEX grid_limits_in_time ON grid_limits (at)",
    """
    CREATE TABLE seeds (
        only_row INTEGER PRIMARY KEY CHECK (only_row = 1),
        seed BLOB NOT NULL
    )
    """,
    "INSERT INTO seeds (only_row, seed) VALUES (1, randomblob(16))",
)
"""Limits of the grid operator as they came, their end, and what was commanded then. Never removed:
whoever operates the equipment must be able to show for two years that it obeyed (German ruling
BK6-22-300, from memory). And the secret that random delays are drawn from."""

ELEVENTH: Migration = ("ALTER TABLE commands ADD COLUMN phases INTEGER",)
"""On how many phases a start is, at a charge point that switches them; older rows do not say."""

MIGRATIONS: Sequence[Migration] = (
    FIRST, SECOND, THIRD, FOURTH, FIFTH, SIXTH, SEVENTH, EIGHTH, NINTH, TENTH,
    ELEVENTH,
)  # fmt: skip
