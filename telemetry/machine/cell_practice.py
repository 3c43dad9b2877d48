"""What cells of each chemistry do in use: charge window, resistance, usable share, losses.

All figures are common practice of the trade, from memory unless ``known_from`` says otherwise; a maker's sheet or a
measurement wins. They stand in for what an owner seldom knows and are never shown without that remark.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class CellPractice:
    """One chemistry in use; voltages a cell.

    Attributes:
        charge_least_v, charge_most_v: an ordinary charge ends between these.
        low_resistance, high_resistance: of one cell, in milliohm times its capacity in Ah, so that 100 over a 50 Ah
            cell is 2 mohm; the low end for short circuits, the high end, with links and electronics, for sag.
        usable_share: how much of the rated capacity is used day by day.
        peukert: exponent of Peukert's law for a rated time of 20 h; 1 where the capacity hardly depends on current.
        charge_acceptance: share of the charge put in that can be taken out again, for the time of a charge.
        energy_efficiency: energy out over energy in.
        monthly_loss: share of the capacity lost in a month's rest.
        known_from: what was seen in a source.

    """

    charge_least_v: float
    charge_most_v: float
    low_resistance: float
    high_resistance: float
    usable_share: float
    peukert: float
    charge_acceptance: float
    energy_efficiency: float
    monthly_loss: float
    known_from: str


RATED_HOURS = 20.0
"""The time in which a lead battery's rated capacity is drawn."""

CELL_PRACTICE: dict[str, CellPractice] = {
    "lfp": CellPractice(
        charge_least_v=3.50,
        charge_most_v=3.65,
        low_resistance=25.0,
        high_resistance=100.0,
        usable_share=0.9,
        peukert=1.0,
        charge_acceptance=0.98,
        energy_efficiency=0.96,
        monthly_loss=0.03,
        known_from="energy efficiency 92 to 98 % common practice, all from memory",
    ),
    "nmc": CellPractice(
        charge_least_v=4.10,
        charge_most_v=4.20,
        low_resistance=30.0,
        high_resistance=120.0,
        usable_share=0.9,
        peukert=1.0,
        charge_acceptance=0.98,
        energy_efficiency=0.95,
        monthly_loss=0.03,
        known_from="from memory",
    ),
    "nca": CellPractice(
        charge_least_v=4.10,
        charge_most_v=4.20,
        low_resistance=30.0,
        high_resistance=120.0,
        usable_share=0.9,
        peukert=1.0,
        charge_acceptance=0.98,
        energy_efficiency=0.95,
        monthly_loss=0.03,
        known_from="from memory",
    ),
    "lto": CellPractice(
        charge_least_v=2.70,
        charge_most_v=2.80,
        low_resistance=10.0,
        high_resistance=50.0,
        usable_share=0.9,
        peukert=1.0,
        charge_acceptance=0.98,
        energy_efficiency=0.96,
        monthly_loss=0.03,
        known_from="from memory",
    ),
    "lead-flooded": CellPractice(
        charge_least_v=2.40,
        charge_most_v=2.50,
        low_resistance=50.0,
        high_resistance=250.0,
        usable_share=0.5,
        peukert=1.2,
        charge_acceptance=0.85,
        energy_efficiency=0.75,
        monthly_loss=0.10,
        known_from="Peukert exponents 1.2 to 1.6 and charge efficiency about 85 % seen in secondary copies, the rest "
        "from memory",
    ),
    "lead-agm": CellPractice(
        charge_least_v=2.40,
        charge_most_v=2.45,
        low_resistance=40.0,
        high_resistance=150.0,
        usable_share=0.5,
        peukert=1.1,
        charge_acceptance=0.95,
        energy_efficiency=0.82,
        monthly_loss=0.03,
        known_from="Peukert exponents 1.05 to 1.15 seen in a secondary copy, the rest from memory",
    ),
}
