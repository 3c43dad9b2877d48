"""What a cell of each chemistry tolerates: voltages and temperatures, for packs whose maker's sheet says nothing.

The maker's sheet always wins; these rows only replace it. Voltages are volts a cell, temperatures degrees
Celsius. Where sources give a range, the stricter end is taken. Each row says in ``known_from`` which of its figures
were seen in a source and which are from memory, that is, common practice of the trade.

Temperatures: no charging of lithium cells below 0 degC was seen in a summary of cell data sheets; where sheets
differ (0 to 45 or 0 to 60 degC) the strict 0 to 45 is used; all other temperatures are from memory. Spreads: 50 mV to
warn, 100 to 300 mV to act, common practice, from memory.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import KW_ONLY, dataclass, replace
from typing import Any

CELLS_APART_V = 0.05
"""What the highest cell may lie above the mean one at the end of an ordinary charge. Common practice, from memory."""


@dataclass(frozen=True, slots=True)
class Chemistry:
    """One chemistry; all voltages a cell. The defaults are what most lithium cells have in common.

    Attributes:
        name: as the machine file writes it.
        title: in words.
        is_lithium: it has a BMS, no equalising charge and no float; sodium-ion cells are treated the same way.
        minimum_v: a discharge ends here at the latest.
        low_warn_v: under load, the little that is left goes fast.
        knee_v: at rest, 5 to 10 % is left; below it the curve falls away.
        nominal_v: for the pack's nominal voltage; ``nominal_high_v`` is the upper end of what nameplates print.
        charge_least_v, charge_most_v: an ordinary charge ends between these, usually at ``charge_v``.
        high_warn_v: above an ordinary charge by more than cells spread at its end.
        maximum_v: no charger may be set above it.
        charge_low_c, charge_high_c: charging only between these.
        discharge_low_c, discharge_high_c: use only between these.
        spread_warn_v, spread_trip_v: highest less lowest cell, see ``cell-spread``.
        usual_cells: a pack of about 48 V.
        known_from: where the voltages come from.
        varies: cells sold under this name differ so much that only the cell maker's sheet decides.

    """

    name: str
    title: str
    _: KW_ONLY
    minimum_v: float
    low_warn_v: float
    knee_v: float
    nominal_v: float
    nominal_high_v: float
    charge_least_v: float
    charge_v: float
    charge_most_v: float
    high_warn_v: float
    maximum_v: float
    usual_cells: int
    is_lithium: bool = True
    charge_low_c: float = 0.0
    charge_high_c: float = 45.0
    discharge_low_c: float = -20.0
    discharge_high_c: float = 60.0
    spread_warn_v: float = 0.05
    spread_trip_v: float = 0.20
    known_from: str = "all from memory"
    varies: bool = False

    @property
    def label(self) -> str:
        """What a sentence calls it: the trade's abbreviation, ``LFP``, or its words, ``AGM lead-acid``."""
        return _WORDS.get(self.name, self.name.upper())

    def may_show(self, volts: float) -> bool:
        """Return whether a cell can stay at ``volts``, with 5 % allowed for the meter."""
        return 0.95 * self.minimum_v <= volts <= 1.05 * self.maximum_v

    @property
    def high_trip_v(self) -> float:
        """Volts a cell that no ordinary charge reaches: 50 mV above its highest end, and not below the maximum.

        Cells of a charged pack spread by tens of millivolts; a BMS commonly stops the charge of iron phosphate at
        3.65 to 3.75 V a cell (common practice, from memory).
        """
        return max(self.maximum_v, self.charge_most_v + CELLS_APART_V)


_WORDS = {"sodium-ion": "sodium-ion", "lead-flooded": "flooded lead-acid", "lead-agm": "AGM lead-acid"}
CHEMISTRIES: dict[str, Chemistry] = {
    each.name: each
    for each in (
        Chemistry(
            "lfp",
            "lithium iron phosphate",
            minimum_v=2.50,
            low_warn_v=2.80,
            knee_v=3.00,
            nominal_v=3.20,
            nominal_high_v=3.30,
            charge_least_v=3.45,
            charge_v=3.60,
            charge_most_v=3.65,
            high_warn_v=3.62,
            maximum_v=3.65,
            usual_cells=16,
            known_from=(
                "cut-offs 2.0 and 3.6 V and 2.98 V at 10 % verified in PyBaMM 26.10, Prada2013; "
                "2.5 and 3.65 V of the usual data sheet from memory"
            ),
        ),
        Chemistry(
            "nmc",
            "lithium nickel manganese cobalt oxide",
            minimum_v=3.00,
            low_warn_v=3.20,
            knee_v=3.30,
            nominal_v=3.60,
            nominal_high_v=3.70,
            charge_least_v=4.10,
            charge_v=4.20,
            charge_most_v=4.20,
            high_warn_v=4.22,
            maximum_v=4.25,
            usual_cells=14,
            known_from=(
                "cut-offs 2.5 and 4.2 V and 3.30 V at 10 % verified in PyBaMM 26.10, Chen2020; "
                "3.0 V (strict end of the usual 2.5 to 3.0) and 4.25 V from memory"
            ),
        ),
        Chemistry(
            "nca",
            "lithium nickel cobalt aluminium oxide",
            minimum_v=2.70,
            low_warn_v=3.00,
            knee_v=3.25,
            nominal_v=3.60,
            nominal_high_v=3.60,
            charge_least_v=4.10,
            charge_v=4.20,
            charge_most_v=4.20,
            high_warn_v=4.22,
            maximum_v=4.25,
            usual_cells=14,
            known_from=(
                "cut-offs 2.7 and 4.2 V and 3.25 V at 10 % verified in PyBaMM 26.10, NCA_Kim2011; 4.25 V from memory"
            ),
        ),
        Chemistry(
            "lmo",
            "lithium manganese oxide",
            minimum_v=3.00,
            low_warn_v=3.30,
            knee_v=3.55,
            nominal_v=3.70,
            nominal_high_v=3.80,
            charge_least_v=4.10,
            charge_v=4.20,
            charge_most_v=4.20,
            high_warn_v=4.22,
            maximum_v=4.25,
            discharge_high_c=55.0,
            usual_cells=13,
        ),
        Chemistry(
            "lto",
            "lithium titanate",
            minimum_v=1.50,
            low_warn_v=1.80,
            knee_v=2.10,
            nominal_v=2.30,
            nominal_high_v=2.40,
            charge_least_v=2.70,
            charge_v=2.80,
            charge_most_v=2.80,
            high_warn_v=2.82,
            maximum_v=2.85,
            charge_low_c=-30.0,
            charge_high_c=55.0,
            discharge_low_c=-30.0,
            usual_cells=20,
        ),
        Chemistry(
            "sodium-ion",
            "sodium-ion, layered oxide and hard carbon",
            minimum_v=2.00,
            low_warn_v=2.30,
            knee_v=2.55,
            nominal_v=3.00,
            nominal_high_v=3.10,
            charge_least_v=3.80,
            charge_v=3.95,
            charge_most_v=3.95,
            high_warn_v=3.97,
            maximum_v=4.00,
            discharge_high_c=55.0,
            usual_cells=16,
            known_from=(
                "all from memory; other sodium-ion cells end a charge near 3.6 V, so state your cell's figures"
            ),
            varies=True,
        ),
        Chemistry(
            "lead-flooded",
            "lead-acid, flooded",
            is_lithium=False,
            minimum_v=1.75,
            low_warn_v=1.85,
            knee_v=2.00,
            nominal_v=2.00,
            nominal_high_v=2.00,
            charge_least_v=2.40,
            charge_v=2.50,
            charge_most_v=2.50,
            high_warn_v=2.55,
            maximum_v=2.67,
            charge_low_c=-20.0,
            charge_high_c=50.0,
            discharge_high_c=50.0,
            spread_warn_v=0.10,
            spread_trip_v=0.30,
            usual_cells=24,
            known_from=(
                "11.89 V at 0 % and 12.06 V at 25 % of a 12 V block by the Battery Council International table "
                "(secondary copy); the rest from memory"
            ),
        ),
        Chemistry(
            "lead-agm",
            "lead-acid, absorbed glass mat",
            is_lithium=False,
            minimum_v=1.75,
            low_warn_v=1.85,
            knee_v=2.00,
            nominal_v=2.00,
            nominal_high_v=2.00,
            charge_least_v=2.40,
            charge_v=2.45,
            charge_most_v=2.45,
            high_warn_v=2.47,
            maximum_v=2.50,
            charge_low_c=-15.0,
            charge_high_c=50.0,
            discharge_high_c=50.0,
            spread_warn_v=0.10,
            spread_trip_v=0.30,
            usual_cells=24,
        ),
    )
}


OWN_CELL_KEYS = (
    *("cell_minimum_v", "cell_nominal_v", "cell_charge_v", "cell_maximum_v"),
    *("cell_charge_minimum_c", "cell_charge_maximum_c"),
)
"""Keys of ``[pack]`` by which the cell maker's sheet replaces a figure of the table."""


def cell_of(stated: Mapping[str, Any]) -> Chemistry:
    """Return the row of a pack's chemistry with the owner's own figures of its cell in place of ours.

    What is not stated follows: warnings keep their distance from what they warn of, between their neighbours.

    Args:
        stated: keys of ``[pack]``; ``chemistry`` must be there. Used are ``cell_minimum_v``, ``cell_nominal_v``,
            ``cell_charge_v``, ``cell_maximum_v``, ``cell_charge_minimum_c`` and ``cell_charge_maximum_c``.

    """
    row = CHEMISTRIES[stated["chemistry"]]
    own = {key: stated[key] for key in OWN_CELL_KEYS if stated.get(key) is not None}
    if not own:
        return row
    minimum, nominal = own.get("cell_minimum_v", row.minimum_v), own.get("cell_nominal_v", row.nominal_v)
    most, charge = own.get("cell_maximum_v"), own.get("cell_charge_v")
    if most is None:
        most = row.maximum_v if charge is None else max(row.maximum_v, charge)
    if charge is None:
        charge = min(row.charge_v, most)
    charge_most = charge if "cell_charge_v" in own else min(row.charge_most_v, most)
    early = max(row.low_warn_v, minimum + row.low_warn_v - row.minimum_v)
    early = min(early, minimum + 0.75 * (nominal - minimum))
    return replace(
        row,
        minimum_v=minimum,
        low_warn_v=early,
        knee_v=min(max(row.knee_v, early), max(nominal, early)),
        nominal_v=nominal,
        nominal_high_v=max(nominal, row.nominal_high_v) if "cell_nominal_v" not in own else nominal,
        charge_least_v=min(row.charge_least_v, charge),
        charge_v=charge,
        charge_most_v=charge_most,
        high_warn_v=min(charge + row.high_warn_v - row.charge_v, most),
        maximum_v=most,
        charge_low_c=own.get("cell_charge_minimum_c", row.charge_low_c),
        charge_high_c=own.get("cell_charge_maximum_c", row.charge_high_c),
        known_from=f"{', '.join(own)} by the owner, else: {row.known_from}",
        varies=row.varies and not {"cell_charge_v", "cell_maximum_v"} <= own.keys(),
    )


@dataclass(frozen=True, slots=True)
class PackWindow:
    """A pack's voltages by its chemistry alone, V: ``low`` to ``high``, ``nominal`` between."""

    low: float
    nominal: float
    high: float


def pack_window(chemistry: Chemistry, cells_in_series: int) -> PackWindow:
    """Return the voltages of ``cells_in_series`` cells at minimum, nominal and maximum, V."""
    return PackWindow(
        round(cells_in_series * chemistry.minimum_v, 3),
        round(cells_in_series * chemistry.nominal_v, 3),
        round(cells_in_series * chemistry.maximum_v, 3),
    )
