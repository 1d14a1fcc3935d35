"""Write, or compare with, what pvlib finds for the sun, a clear sky and tilted planes.

pvlib brings a quarter of a gigabyte of packages, so the tests read its values from
`tests/data/outside_solar.json`. `make solar` compares that file with what an installed pvlib finds;
``python -m tests.outside.solar_values --write``, with a Python that has pvlib, writes it.
"""

from __future__ import annotations

import importlib
import json
import sys
from pathlib import Path
from typing import Any

FILE = Path(__file__).parents[1] / "data" / "outside_solar.json"

PLACES = ((-36.85, 174.76), (52.52, 13.40), (1.35, 103.82), (64.15, -21.94))
"""Auckland, Berlin, Singapore, Reykjavik."""

TIMES = tuple(
    f"2026-{month:02}-{day:02}T{hour:02}:30:00Z"
    for month, day in ((1, 5), (3, 20), (6, 21), (10, 11))
    for hour in range(0, 24, 3)
)
PLANES = ((30.0, 0.0), (30.0, 180.0), (90.0, 250.0))
"""Tilt and direction [degrees]."""


def pvlib_values() -> dict[str, Any]:
    """Ask pvlib, with the models, constants and inputs that `planners.generation` uses."""
    # Neither is installed with the tests.
    pandas, pvlib = (importlib.import_module(name) for name in ("pandas", "pvlib"))
    rows = []
    index = pandas.DatetimeIndex(TIMES)
    for latitude, longitude in PLACES:
        sun = pvlib.solarposition.spa_python(index, latitude, longitude)
        mass = pvlib.atmosphere.get_relative_airmass(sun.zenith, "kastenyoung1989").fillna(40)
        outside = 1361.0 / pvlib.solarposition.nrel_earthsun_distance(index) ** 2
        sky = pvlib.clearsky.ineichen(sun.zenith, mass, 3.0, altitude=0, dni_extra=outside)
        planes = [
            pvlib.irradiance.get_total_irradiance(
                tilt, facing, sun.zenith, sun.azimuth, sky.dni, sky.ghi, sky.dhi, albedo=0.2
            ).poa_global
            for tilt, facing in PLANES
        ]
        for place, time in enumerate(TIMES):
            values = (sun.zenith, sun.azimuth, sky.ghi, sky.dni, sky.dhi, *planes)
            row = [round(float(each.iloc[place]), 3) for each in values]
            rows.append([latitude, longitude, time, *row])
    return {"pvlib": pvlib.__version__, "planes": PLANES, "rows": rows}


def main() -> None:
    """Write the file, or say whether pvlib still finds the same."""
    found = json.loads(json.dumps(pvlib_values()))
    if "--write" in sys.argv:
        rows = ",\n".join(json.dumps(row) for row in found["rows"])
        head = f'{{"pvlib": "{found["pvlib"]}", "planes": {json.dumps(found["planes"])}, "rows": ['
        FILE.write_text(f"{head}\n{rows}\n]}}\n", encoding="utf-8")
        return
    kept = json.loads(FILE.read_text(encoding="utf-8"))
    furthest = max(
        abs(one - other)
        for mine, theirs in zip(kept["rows"], found["rows"], strict=True)
        for one, other in zip(mine[3:], theirs[3:], strict=True)
    )
    sys.stdout.write(f"pvlib {found['pvlib']} differs from {kept['pvlib']} by {furthest:g}\n")
    sys.exit(furthest > 0.01)


if __name__ == "__main__":
    main()
