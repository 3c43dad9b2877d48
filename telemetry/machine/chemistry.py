"""What a cell of each chemistry stands: voltages and temperatures, for packs whose maker's sheet says nothing.

The maker's sheet always wins; these rows only stand in for it. Voltages are volts a cell, temperatures degrees
Celsius. Where sources give a range, the stricter end is taken. Each row says in ``known_from`` which of its figures
were seen in a source and which are from memory, that is, common practice of the trade.

Temperatures: no charging of lithium cells below 0 degC was seen in a summary of cell data sheets; where sheets
differ (0 to 45 or 0 to 60 degC) the strict 0 to 45 stands; all other temperatures are from memory. Spreads: 50 mV to
warn, 100 to 300 mV to act, common practice, from memory.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Chemistry:
    """One chemistry; all voltages a cell.

    Attributes:
        name: as the machine file writes it.
        title: in words.
        is_lithium: it must not be charged in frost, has no equalising charge and rests off float.
        minimum_v: a discharge ends here at the latest.
        low_warn_v: under load, the little that is left goes fast.
        knee_v: at rest, about 10 % is left; below it the curve falls away.
        nominal_v: for the pack's nominal voltage; ``nominal_high_v`` is the upper end of what nameplates print.
        charge_v: where an ordinary charge ends.
        high_warn_v: above an ordinary charge by more than cells spread at its end.
        maximum_v: never above it.
        charge_low_c, charge_high_c: charging only between these.
        discharge_low_c, discharge_high_c: use only between these.
        spread_warn_v, spread_trip_v: highest less lowest cell, see ``cell-spread``.
        usual_cells: a pack of about 48 V.
        known_from: where the voltages come from.

    """

    name: str
    title: str
    is_lithium: bool
    minimum_v: float
    low_warn_v: float
    knee_v: float
    nominal_v: float
    nominal_high_v: float
    charge_v: float
    high_warn_v: float
    maximum_v: float
    charge_low_c: float
    charge_high_c: float
    discharge_low_c: float
    discharge_high_c: float
    spread_warn_v: float
    spread_trip_v: float
    usual_cells: int
    known_from: str


CHEMISTRIES: dict[str, Chemistry] = {
    each.name: each
    for each in (
        Chemistry(
            "lfp",
            "lithium iron phosphate",
            is_lithium=True,
            minimum_v=2.50,
            low_warn_v=2.80,
            knee_v=3.00,
            nominal_v=3.20,
            nominal_high_v=3.30,
            charge_v=3.60,
            high_warn_v=3.62,
            maximum_v=3.65,
            charge_low_c=0.0,
            charge_high_c=45.0,
            discharge_low_c=-20.0,
            discharge_high_c=60.0,
            spread_warn_v=0.05,
            spread_trip_v=0.20,
            usual_cells=16,
            known_from=(
                "cut-offs 2.0 and 3.6 V and 2.98 V at 10 % verified in PyBaMM 26.10, Prada2013; "
                "2.5 and 3.65 V of the usual data sheet from memory"
            ),
        ),
        Chemistry(
            "nmc",
            "lithium nickel manganese cobalt oxide",
            is_lithium=True,
            minimum_v=3.00,
            low_warn_v=3.20,
            knee_v=3.30,
            nominal_v=3.60,
            nominal_high_v=3.70,
            charge_v=4.20,
            high_warn_v=4.22,
            maximum_v=4.25,
            charge_low_c=0.0,
            charge_high_c=45.0,
            discharge_low_c=-20.0,
            discharge_high_c=60.0,
            spread_warn_v=0.05,
            spread_trip_v=0.20,
            usual_cells=14,
            known_from=(
                "cut-offs 2.5 and 4.2 V and 3.30 V at 10 % verified in PyBaMM 26.10, Chen2020; "
                "3.0 V (strict end of the usual 2.5 to 3.0) and 4.25 V from memory"
            ),
        ),
        Chemistry(
            "nca",
            "lithium nickel cobalt aluminium oxide",
            is_lithium=True,
            minimum_v=2.70,
            low_warn_v=3.00,
            knee_v=3.25,
            nominal_v=3.60,
            nominal_high_v=3.60,
            charge_v=4.20,
            high_warn_v=4.22,
            maximum_v=4.25,
            charge_low_c=0.0,
            charge_high_c=45.0,
            discharge_low_c=-20.0,
            discharge_high_c=60.0,
            spread_warn_v=0.05,
            spread_trip_v=0.20,
            usual_cells=14,
            known_from=(
                "cut-offs 2.7 and 4.2 V and 3.25 V at 10 % verified in PyBaMM 26.10, NCA_Kim2011; 4.25 V from memory"
            ),
        ),
        Chemistry(
            "lto",
            "lithium titanate",
            is_lithium=True,
            minimum_v=1.50,
            low_warn_v=1.80,
            knee_v=2.10,
            nominal_v=2.30,
            nominal_high_v=2.40,
            charge_v=2.80,
            high_warn_v=2.82,
            maximum_v=2.85,
            charge_low_c=-30.0,
            charge_high_c=55.0,
            discharge_low_c=-30.0,
            discharge_high_c=60.0,
            spread_warn_v=0.05,
            spread_trip_v=0.20,
            usual_cells=20,
            known_from="all from memory",
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
            charge_v=2.50,
            high_warn_v=2.55,
            maximum_v=2.67,
            charge_low_c=-20.0,
            charge_high_c=50.0,
            discharge_low_c=-20.0,
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
            charge_v=2.45,
            high_warn_v=2.47,
            maximum_v=2.50,
            charge_low_c=-15.0,
            charge_high_c=50.0,
            discharge_low_c=-20.0,
            discharge_high_c=50.0,
            spread_warn_v=0.10,
            spread_trip_v=0.30,
            usual_cells=24,
            known_from="all from memory",
        ),
    )
}


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


def document_chemistries() -> str:
    """Return the rows as a Markdown table, for the documentation."""
    columns = (
        ("least V", "minimum_v", ".2f"),
        ("warn low V", "low_warn_v", ".2f"),
        ("nominal V", "nominal_v", ".2f"),
        ("charge to V", "charge_v", ".2f"),
        ("warn high V", "high_warn_v", ".2f"),
        ("most V", "maximum_v", ".2f"),
        ("spread warn V", "spread_warn_v", ".2f"),
        ("spread trip V", "spread_trip_v", ".2f"),
    )
    lines = [
        "| chemistry | " + " | ".join(title for title, _, _ in columns) + " | charge °C | use °C |",
        "|---" * (len(columns) + 3) + "|",
    ]
    for each in CHEMISTRIES.values():
        cells = [format(getattr(each, attribute), shape) for _, attribute, shape in columns]
        charge = f"{each.charge_low_c:g} to {each.charge_high_c:g}"
        use = f"{each.discharge_low_c:g} to {each.discharge_high_c:g}"
        lines.append(f"| {' | '.join([f'`{each.name}` {each.title}', *cells, charge, use])} |")
    return "\n".join(lines)


def document_provenance() -> str:
    """Return where each row's voltages come from, as a Markdown list."""
    return "\n".join(f"- `{each.name}`: {each.known_from}." for each in CHEMISTRIES.values())
