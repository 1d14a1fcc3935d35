"""Meter values of OCPP 1.6 become readings; a bad value does not spoil the others.

Measurands, units and defaults are those of OCPP 1.6 (Open Charge Alliance), sections 7.28, 7.31 and
7.43 to 7.45, from memory; the schema that tests check the profile with has the same names.
"""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from adapters.contract.messages import HomeLoad, Reading, VehicleReport
from adapters.ocpp_point.meter import (
    EXPORT,
    MOST_AGO,
    MOST_AHEAD,
    grid_powers,
    home_loads,
    instant_of,
    meter_messages,
    register_reading,
)

NOW = datetime(2026, 6, 3, 9, 0, tzinfo=UTC)
TEXT = "2026-06-03T09:00:00Z"


def messages_of(*sampled: dict[str, Any], phases: int = 1) -> list[Reading | VehicleReport]:
    values = [{"timestamp": TEXT, "sampled_value": list(sampled)}]
    return list(meter_messages(values, NOW, phases=phases, volts=230.0, max_amps=32.0))


def reading(*sampled: dict[str, Any], phases: int = 1) -> Reading:
    (found,) = messages_of(*sampled, phases=phases)
    assert isinstance(found, Reading)
    return found


def sample(value: str, measurand: str | None = None, **more: str) -> dict[str, Any]:
    return {"value": value, **({"measurand": measurand} if measurand else {}), **more}


POWER, CURRENT, SOC = "Power.Active.Import", "Current.Import", "SoC"
REGISTER = "Energy.Active.Import.Register"


def test_a_value_alone_is_the_register_in_watt_hours() -> None:
    """Without a measurand it is the energy register, without a unit it is in Wh."""
    assert reading(sample("1234567")) == Reading(at=NOW, register_kwh=1234.567)


@pytest.mark.parametrize(
    "context", ["Transaction.Begin", "Transaction.End", "Sample.Clock", "Trigger"]
)
def test_contexts_make_no_difference(context: str) -> None:
    """The reason for a sample does not change its value."""
    assert reading(sample("2.5", REGISTER, unit="kWh", context=context)).register_kwh == 2.5


def test_one_instant_is_one_reading() -> None:
    """Register, power and current of one instant are one reading; the state of charge a report."""
    found = messages_of(
        sample("12.5", REGISTER, unit="kWh"),
        sample("3.61", POWER, unit="kW"),
        sample("15.7", CURRENT, unit="A"),
        sample("41", SOC, unit="Percent", location="EV"),
    )
    assert found == [
        Reading(at=NOW, register_kwh=12.5, watts=3610.0, amps=15.7),
        VehicleReport(at=NOW, soc_percent=41.0),
    ]


def test_phases_are_summed() -> None:
    """Power and energy by phase are summed; the highest current is compared with a limit."""
    found = reading(
        *(sample("1000", POWER, phase=phase) for phase in ("L1", "L2", "L3")),
        *(sample("100", REGISTER, phase=phase) for phase in ("L1-N", "L2-N", "L3-N")),
        sample("9", CURRENT, phase="L1"),
        sample("11", CURRENT, phase="L2"),
        sample("10", CURRENT, phase="L3"),
        sample("2", CURRENT, phase="N"),
        phases=3,
    )
    assert (found.register_wh, found.watts, found.amps) == (300, 3000.0, 11.0)


def test_a_total_beside_phases_counts_alone() -> None:
    """If equipment sends the phases and their sum, nothing is counted twice."""
    found = reading(
        sample("700", POWER, phase="L1"), sample("690", POWER), sample("5", POWER, phase="L2")
    )
    assert found.watts == 690.0


@pytest.mark.parametrize(
    ("phases", "sampled", "watts"),
    [
        (1, [sample("10", CURRENT)], 2300.0),
        (3, [sample("10", CURRENT)], 6900.0),
        (3, [sample("10", CURRENT, phase="L1"), sample("4", CURRENT, phase="L2")], 3220.0),
    ],
)
def test_a_current_alone_makes_power(
    phases: int, sampled: list[dict[str, Any]], watts: float
) -> None:
    """For equipment that measures no power it is volts times amperes (Ohm and Joule)."""
    assert reading(*sampled, phases=phases).watts == pytest.approx(watts)


def test_the_outlet_counts() -> None:
    """The value at the outlet counts, not the equipment's own at its inlet."""
    found = reading(
        sample("3650", POWER, location="Inlet"), sample("3600", POWER, location="Outlet")
    )
    assert found.watts == 3600.0


@pytest.mark.parametrize(
    "odd",
    [
        sample("NaN"),
        sample("inf"),
        sample("twelve"),
        sample(""),
        sample("9" * 400, POWER),
        sample("-5"),
        sample("7", unit="MWh"),
        sample("7", unit="varh"),
        sample("7", "Energy.Active.Export.Register"),
        sample("7", "Energy.Active.Import.Interval"),
        sample("OCMF|{}", format="SignedData"),
        sample("1", phase="L1-L2"),
        {"value": None},
        {"value": ["1"]},
        {"value": True},
        {},
    ],
)
def test_an_odd_value_is_skipped(odd: dict[str, Any]) -> None:
    """A value that can't be used is skipped; the power beside it is read."""
    assert messages_of(odd) == []
    assert reading(odd, sample("3600", POWER)) == Reading(at=NOW, watts=3600.0)


def test_an_impossible_state_of_charge_is_skipped() -> None:
    """More than 100 percent is an error of the equipment."""
    assert messages_of(sample("101", SOC)) == []


def test_samples_have_their_own_instants() -> None:
    """Several samples in one message become readings at their own instants, oldest first."""
    values = [
        {"timestamp": f"2026-06-03T08:{minute}:00Z", "sampled_value": [sample(str(minute * 100))]}
        for minute in (45, 30, 15)
    ]
    found = list(meter_messages(values, NOW, phases=1, volts=230.0, max_amps=32.0))
    assert [(each.at.minute, each.register_kwh) for each in found if isinstance(each, Reading)] == [
        (15, 1.5),
        (30, 3.0),
        (45, 4.5),
    ]


@pytest.mark.parametrize(
    ("text", "minutes"),
    [
        ("2026-06-03T10:00:00Z", 0),  # an hour ahead: replaced
        ("2026-06-03T09:10:01Z", 0),
        ("2026-06-03T09:10:00Z", 10),
        ("2026-06-03T08:00:00Z", -60),  # stored while the connection was lost
        ("2026-06-03T20:55:00+12:00", -5),
        ("2026-06-03T08:55:00", -5),  # without an offset it is UTC
        ("1970-01-01T00:00:12Z", 0),  # never set
        ("soon", 0),
        (None, 0),
        (17, 0),
    ],
)
def test_clocks_of_equipment(text: object, minutes: int) -> None:
    """An instant that can't be right is replaced by `now`; one of the last days is kept."""
    assert instant_of(text, NOW) == NOW + timedelta(minutes=minutes)


def test_a_register_of_a_transaction() -> None:
    """Transactions begin and end with the register in Wh; a negative one is skipped."""
    assert register_reading(NOW, 1500) == Reading(at=NOW, register_kwh=1.5)
    assert register_reading(NOW, -1) is None


# --- laws ---------------------------------------------------------------------------------------

_WH = st.integers(0, 10**9)
_ANY = st.recursive(
    st.none()
    | st.booleans()
    | st.integers()
    | st.floats()
    | st.text(max_size=8)
    | st.sampled_from([REGISTER, POWER, CURRENT, SOC, "kWh", "L1", TEXT, "12.5", "Outlet"]),
    lambda inner: (
        st.lists(inner, max_size=4)
        | st.dictionaries(
            st.sampled_from(
                [
                    "timestamp",
                    "sampled_value",
                    "value",
                    "measurand",
                    "unit",
                    "phase",
                    "location",
                    "format",
                ]
            ),
            inner,
            max_size=6,
        )
    ),
    max_leaves=30,
)


@given(_ANY | st.lists(st.fixed_dictionaries({"timestamp": _ANY, "sampled_value": st.lists(_ANY)})))
def test_nothing_equipment_says_breaks_it(values: object) -> None:
    """Whatever stands in meter values: no error, and no instant that can't be right."""
    for found in meter_messages(values, NOW, phases=3, volts=230.0, max_amps=32.0):
        assert NOW - MOST_AGO <= found.at <= NOW + MOST_AHEAD


@given(_WH)
def test_units_say_the_same(watt_hours: int) -> None:
    """A register in Wh and the same in kWh are one reading, to the watt-hour."""
    in_wh = reading(sample(str(watt_hours), unit="Wh"))
    in_kwh = reading(sample(f"{watt_hours // 1000}.{watt_hours % 1000:03d}", unit="kWh"))
    assert in_wh.register_wh == in_kwh.register_wh == watt_hours


@given(st.lists(_WH, min_size=1, max_size=3))
def test_phases_make_the_total(parts: list[int]) -> None:
    """A register by phase is the register of their sum, to the watt-hour."""
    names = ("L1", "L2", "L3")
    by_phase = reading(
        *(sample(str(part), phase=name) for part, name in zip(parts, names, strict=False))
    )
    assert by_phase.register_wh == reading(sample(str(sum(parts)))).register_wh


@given(
    st.permutations(
        [sample("5000"), sample("3600", POWER), sample("16", CURRENT), sample("50", SOC)]
    )
)
def test_their_order_says_nothing(sampled: list[dict[str, Any]]) -> None:
    """Measurands may come in any order."""
    assert messages_of(*sampled) == messages_of(*sorted(sampled, key=str))


@pytest.mark.parametrize(
    "value", ["\u0661\u0662\u0663", "\uff11\uff12", "\u0967\u0968.\u096b", "12\u00b2", "1\u066b5"]
)
def test_only_ascii_digits_are_numbers(value: str) -> None:
    """Arabic-Indic, full-width and Devanagari digits are no numbers of OCPP, though of Python."""
    assert messages_of(sample(value)) == []


def test_a_current_that_no_breaker_would_allow_is_no_measurement() -> None:
    """More than four times the charge point's own; less is equipment that does not obey."""
    found = reading(sample("1000"), sample("129", CURRENT), sample("30000", POWER))
    assert found == Reading(at=NOW, register_kwh=1.0)
    assert reading(sample("128", CURRENT)).amps == 128
    assert reading(sample("29440", POWER)).watts == 29440
    assert reading(sample("80000", POWER), phases=3).watts == 80000


def loads_of(*sampled: dict[str, Any], phases: int = 3) -> list[tuple[float, ...]]:
    values = [{"timestamp": TEXT, "sampled_value": list(sampled)}]
    found = list(home_loads(values, NOW, phases=phases, volts=230.0))
    assert all(each.at == NOW and each.includes_charge_points for each in found)
    return [each.amps for each in found]


def inlet(value: str, measurand: str, **more: str) -> dict[str, Any]:
    return sample(value, measurand, location="Inlet", **more)


CURRENTS = {"L1": "21.3", "L2": "4", "L3": "6.5"}
THREE = [inlet(value, CURRENT, phase=phase) for phase, value in CURRENTS.items()]


@pytest.mark.parametrize(
    ("sampled", "phases", "loads"),
    [
        (THREE, 3, [(21.3, 4.0, 6.5)]),
        (THREE[:1], 1, [(21.3,)]),
        (THREE[:2], 3, []),
        ([inlet("21.3", CURRENT)], 3, [(21.3,)]),
        ([inlet("2.3", POWER, unit="kW")], 1, [(10.0,)]),
        ([inlet("2.3", POWER, unit="kW")], 3, []),
        ([inlet("2300", POWER, phase=f"L{n}-N") for n in (1, 2, 3)], 3, [(10.0,) * 3]),
        ([*THREE, inlet("99999", POWER)], 3, [(21.3, 4.0, 6.5)]),
        ([sample("21.3", CURRENT)], 3, []),
        ([inlet("10000", CURRENT)], 3, []),
        ([inlet("NaN", CURRENT)], 3, []),
    ],
    ids=[
        "three phases", "a home with one", "a phase is missing", "the highest",
        "power of one phase", "power of all together", "power of each", "current first",
        "at the outlet", "10 kA", "NaN",
    ],
)  # fmt: skip
def test_the_load_of_the_home_is_measured_at_the_inlet(
    sampled: list[dict[str, Any]], phases: int, loads: list[tuple[float, ...]]
) -> None:
    """A current of each phase, or a power that says it; anything else is no load of the home."""
    assert loads_of(*sampled, phases=phases) == loads


@pytest.mark.parametrize(
    ("sampled", "phases", "watts"),
    [
        ([inlet("500", POWER), inlet("2300", EXPORT)], 1, (-1800.0,)),
        ([inlet("0.5", POWER, unit="kW")], 3, (500.0,)),
        (
            [inlet("9", POWER), inlet("8", EXPORT, phase="L1"), inlet("7", EXPORT, phase="L2")],
            3,
            (-6.0,),
        ),
        ([inlet(str(n), POWER, phase=f"L{n}") for n in (1, 2, 3)], 3, (1.0, 2.0, 3.0)),
        (
            [inlet("5", POWER, phase=f"L{n}-N") for n in (1, 2, 3)]
            + [inlet("9", EXPORT, phase="L2")],
            3,
            (5.0, -4.0, 5.0),
        ),
        ([inlet("5", POWER, phase=f"L{n}") for n in (1, 2, 3)] + [inlet("20", EXPORT)], 3, (-5.0,)),
        ([inlet("2300", EXPORT)], 1, None),
        ([sample("500", POWER)], 1, None),
    ],
)
def test_the_power_at_the_grid(
    sampled: list[dict[str, Any]], phases: int, watts: tuple[float, ...] | None
) -> None:
    """Import less export at the location Inlet, by phase where both are told so."""
    values = [{"timestamp": TEXT, "sampled_value": sampled}]
    found = [each.watts for each in grid_powers(values, NOW, phases=phases)]
    assert found == ([] if watts is None else [watts])


def test_the_load_of_the_home_is_no_reading_of_the_charge_point() -> None:
    """Where the Inlet is the home's, only the Outlet counts for the charge point."""
    values = [{"timestamp": TEXT, "sampled_value": [*THREE, sample("9", CURRENT)]}]
    (found,) = meter_messages(values, NOW, phases=1, volts=230.0, max_amps=32.0, inlet_is_home=True)
    assert isinstance(found, Reading)
    assert found.amps == 9
    assert list(home_loads(values, NOW, phases=3, volts=230.0)) == [
        HomeLoad(at=NOW, amps=(21.3, 4.0, 6.5), includes_charge_points=True)
    ]
