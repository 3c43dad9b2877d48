"""What cells of each chemistry do in use: resistance, usable share, mean voltage, losses, charge in the cold.

All figures are common practice of the trade, from memory unless ``known_from`` says otherwise; a maker's sheet or a
measurement wins. They replace what an owner seldom knows and are never shown without saying so.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class CellPractice:
    """One chemistry in use. The defaults are what most lithium cells have in common.

    Attributes:
        low_resistance, high_resistance: of one cell, in milliohm times its capacity in Ah, so that 100 over a 50 Ah
            cell is 2 mohm; the low end for short circuits, the high end, with links and electronics, for sag.
        usable_share: how much of the rated capacity is used day by day.
        mean_open_v: mean open-circuit voltage of a cell from full down over that share: integral of the chemistry's
            table of open-circuit voltage, V.
        gentle_charge_v: charging to between these, V a cell, ages it less and fills it nearly as much; None where no
            such figure is known.
        cool_rate: highest charge current between 0 and 10 degC, over the capacity, in A per Ah; None where the cell
            takes its full current there.
        peukert: exponent of Peukert's law for a rated time of 20 h; 1 where the capacity hardly depends on current.
        charge_acceptance: share of the charge put in that can be taken out again, for the time of a charge.
        energy_efficiency: energy out over energy in.
        monthly_loss: share of the capacity lost in a month's rest.
        known_from: what was seen in a source.

    """

    low_resistance: float
    high_resistance: float
    mean_open_v: float
    usable_share: float = 0.9
    gentle_charge_v: tuple[float, float] | None = None
    cool_rate: float | None = 0.2
    peukert: float = 1.0
    charge_acceptance: float = 0.98
    energy_efficiency: float = 0.95
    monthly_loss: float = 0.03
    known_from: str = "from memory"


FULL_CHARGE_ABOVE_C = 10.0
"""Cells with a ``cool_rate`` take their full charge current from here on, degC. Cell sheets reduce it to 0.1 to 0.3 A
per Ah between 0 and 10 degC (common practice, from memory)."""
RATED_HOURS = 20.0
"""The time in which a lead battery's rated capacity is drawn."""

CELL_PRACTICE: dict[str, CellPractice] = {
    "lfp": CellPractice(
        low_resistance=25.0,
        high_resistance=100.0,
        mean_open_v=3.298,
        gentle_charge_v=(3.45, 3.55),
        energy_efficiency=0.96,
        known_from="energy efficiency 92 to 98 % common practice, all from memory",
    ),
    "nmc": CellPractice(low_resistance=30.0, high_resistance=120.0, mean_open_v=3.797),
    "nca": CellPractice(low_resistance=30.0, high_resistance=120.0, mean_open_v=3.730),
    "lmo": CellPractice(low_resistance=20.0, high_resistance=100.0, mean_open_v=3.902),
    "lto": CellPractice(
        low_resistance=10.0,
        high_resistance=50.0,
        mean_open_v=2.316,
        cool_rate=None,
        energy_efficiency=0.96,
    ),
    "sodium-ion": CellPractice(low_resistance=50.0, high_resistance=200.0, mean_open_v=3.189, energy_efficiency=0.92),
    "lead-flooded": CellPractice(
        low_resistance=50.0,
        high_resistance=250.0,
        usable_share=0.5,
        mean_open_v=2.075,
        cool_rate=None,
        peukert=1.2,
        charge_acceptance=0.85,
        energy_efficiency=0.75,
        monthly_loss=0.10,
        known_from="Peukert exponents 1.2 to 1.6 and charge efficiency about 85 % seen in secondary copies, the rest "
        "from memory",
    ),
    "lead-agm": CellPractice(
        low_resistance=40.0,
        high_resistance=150.0,
        usable_share=0.5,
        mean_open_v=2.105,
        cool_rate=None,
        peukert=1.1,
        charge_acceptance=0.95,
        energy_efficiency=0.82,
        known_from="Peukert exponents 1.05 to 1.15 seen in a secondary copy, the rest from memory",
    ),
}
