"""Divide what is charged between the home's own surplus and the grid, and price both parts.

While a vehicle draws, its power up to the surplus is from the roof, and costs what export would
have earned. The rest is from the grid, and costs the import rate. Of a tick cut short, only the
surplus of the used part counts: the rest of it has been exported.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Row = NDArray[np.float64]


def price_at(power_kw: float, surplus_kw: float, import_rate: float, export_rate: float) -> float:
    """Return the mean price of the energy that one power draws [currency per kWh].

    Parameters
    ----------
    power_kw : float
        Power at the meter [kW].
    surplus_kw : float
        Power that is left over at the same time [kW].
    import_rate, export_rate : float
        Rates of the two parts [currency per kWh].

    Returns
    -------
    float
        The import rate, if no power is drawn.
    """
    if power_kw <= 0 or surplus_kw <= 0:
        return import_rate
    return import_rate + (export_rate - import_rate) * min(1.0, surplus_kw / power_kw)


def roof_kwh(metered_kwh: Row, share: Row, surplus_kw: Row, tick_hours: float) -> Row:
    """Return the part of each tick's energy that is from the surplus.

    Parameters
    ----------
    metered_kwh : ndarray of float, shape (ticks,)
        Energy through the meter in each tick [kWh].
    share : ndarray of float, shape (ticks,)
        Used share of each tick.
    surplus_kw : ndarray of float, shape (ticks,)
        Power that is left over in each tick [kW].
    tick_hours : float
        Length of a tick [h].

    Returns
    -------
    ndarray of float, shape (ticks,)
        Energy from the surplus [kWh].
    """
    roof: Row = np.minimum(metered_kwh, surplus_kw * share * tick_hours)
    return roof
