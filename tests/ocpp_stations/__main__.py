"""The campaign: ``python -m tests.ocpp_stations``, or ``make stations``.

Prints the table of `tests.ocpp_boxes` for stations that speak OCPP 2.0.1 and 2.1; what is under
`wrong` must be nothing. LULLWATT_BOXES and LULLWATT_BEHAVIOURS choose some.
"""

from __future__ import annotations

import sys

from tests.ocpp_boxes.__main__ import main
from tests.ocpp_stations.kinds import BEHAVIOURS, KINDS
from tests.ocpp_stations.station import Station

if __name__ == "__main__":
    sys.exit(main(KINDS, BEHAVIOURS, Station))
