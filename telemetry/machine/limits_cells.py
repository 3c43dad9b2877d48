"""Limits that compare the cells of a pack with one another, each where its signal means something.

A cell voltage spread under load is mostly resistance, near full or empty mostly charge: one limit in millivolts for
all states alarms falsely uphill and misses a low cell on the plateau. See :mod:`telemetry.analysis.cell_ledgers`.
"""

from __future__ import annotations

from telemetry.machine.limits_frame import Frame, Ground, Limit

TOP_WARN, TOP_TRIP = 2.0, 6.0
"""Imbalance at the top, % of the capacity: cells of one batch agree within 1 to 2 % (common practice, from memory);
the trip is ours."""
DEFICIT_WARN = 1.5
"""New cells of one batch hold the same within 1 to 2 % (common practice, from memory); what is judged is the least
deficit that the readings allow, about half of the real one when it is first reported."""
DEFICIT_TRIP = 8.0
RATIO_WARN = 1.5
"""Cells of one batch with their links agree within some 15 %; a link that is longer by design may add 40 %. From
memory."""
RATIO_TRIP = 3.0


def _plain(on: Ground) -> Limit | str:
    return (
        "most cell voltage spread under load comes from resistance, so cell-spread-rest, cell-spread-load, "
        "cell-imbalance-top, cell-charge-low and cell-resistance judge it with the load taken into account; "
        f"to limit the plain spread as well, set [limits.{on.frame.name}] warn or trip"
    )


def _at_rest(on: Ground) -> Limit | str:
    cell = on.machine.pack.cell
    origin = (
        f"common practice for {cell.label}: {_millivolts(cell.spread_warn_v, cell.spread_trip_v)}, "
        "after 30 s of rest, "
        f"while every cell is between {cell.nominal_v:.2f} and {cell.charge_v - 0.2:.2f} V"
    )
    return on.limit(cell.spread_warn_v, cell.spread_trip_v, origin, margin=0.01, raise_s=20.0, clear_s=60.0)


def _under_load(on: Ground) -> Limit | str:
    cell = on.machine.pack.cell
    origin = (
        f"common practice for {cell.label}: {_millivolts(cell.spread_warn_v, cell.spread_trip_v)}, after "
        "subtracting the sag from each cell's own internal resistance, measured on this drive"
    )
    return on.limit(cell.spread_warn_v, cell.spread_trip_v, origin, margin=0.01, raise_s=20.0, clear_s=60.0)


def _near_top(on: Ground) -> Limit | str:
    return (
        "near full even a healthy pack spreads by 200 mV for a few seconds, so cell-imbalance-top judges the "
        f"charge instead; to limit the plain spread as well, set [limits.{on.frame.name}] warn or trip"
    )


def _imbalance_top(on: Ground) -> Limit | str:
    pack = on.machine.pack
    origin = (
        "charge the average cell still lacks when the first cell is full; cells of one batch agree within 1 to 2 %, "
        f"common practice; trip at {TOP_TRIP:g} %, ours; time to balance: "
    )
    if pack.balance_current_ma is None:
        origin += "not known, because [pack] balance_current_ma is not stated"
    else:
        hours = 0.01 * pack.capacity_ah / (pack.balance_current_ma / 1000.0)
        origin += f"{hours:.2g} h near full for each 1 %, if {pack.balance_current_ma:g} mA flows all that time"
    return on.limit(TOP_WARN, TOP_TRIP, origin, margin=0.5, raise_s=0.0)


def _millivolts(warn: float, trip: float) -> str:
    return f"warn at {1000 * warn:.0f} mV, trip at {1000 * trip:.0f} mV"


def _charge_low(on: Ground) -> Limit | str:
    origin = (
        f"one cell holds less charge than the median cell, by at least {DEFICIT_WARN:g} % of the capacity; "
        f"cells of one batch agree within 1 to 2 %, common practice; trip at {DEFICIT_TRIP:g} %, ours"
    )
    return on.limit(DEFICIT_WARN, DEFICIT_TRIP, origin, margin=0.5, raise_s=0.0)


def _resistance(on: Ground) -> Limit | str:
    origin = (
        f"one cell or its link has at least {RATIO_WARN:g} times the internal resistance of the median cell, from "
        f"load steps; cells of one batch agree within about 15 %, common practice; trip at {RATIO_TRIP:g} times, ours"
    )
    return on.limit(RATIO_WARN, RATIO_TRIP, origin, margin=0.1, raise_s=30.0, clear_s=60.0)


FRAMES = (
    Frame("cell-spread", "cell_spread", "high", _plain, alone=(0.01, 10.0, 30.0)),
    Frame("cell-spread-rest", "cell_spread_rest", "high", _at_rest),
    Frame("cell-spread-load", "cell_spread_load", "high", _under_load),
    Frame("cell-spread-top", "cell_spread_top", "high", _near_top, alone=(0.02, 30.0, 60.0)),
    Frame("cell-imbalance-top", "cell_imbalance_top", "high", _imbalance_top),
    Frame("cell-charge-low", "cell_charge_deficit", "high", _charge_low),
    Frame("cell-resistance", "cell_resistance_ratio", "high", _resistance),
)
