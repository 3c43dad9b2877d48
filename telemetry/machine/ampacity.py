"""What a copper conductor carries without limit of time: in free air, bundled or in conduit.

Two tables. A single cable in free air goes by the US boat regulation, 33 CFR 183.425 Table 5 (ABYC E-11 has the same
figures). A bundle or a conduit goes by NEC Table 310.16, which is for building wire: the NEC derates a bundle like
a conduit. Where 310.16 has no column (105 and 125 degC, thin wire), ABYC E-11 Table VI-B is used, whose title
covers both.

A cable rated for 105 degC is also one rated for 90 degC, so it carries the most that any column up to its own rating
allows. That holds better insulation at least equal to poorer where two tables round differently.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

from telemetry.machine.conductors import BeyondTable, Conductor, Gauge, awg_number, stated_conductor
from telemetry.machine.pack_keys import Wiring

Installation = Literal["free-air", "bundled", "conduit"]
INSTALLATION_WORDS: dict[Installation, str] = {
    "free-air": "in free air",
    "bundled": "bundled",
    "conduit": "in conduit",
}

FREE_AIR_TABLE = (
    "33 CFR 183.425 Table 5, single copper conductor in free air, 30 °C (copies of the regulation): made for boats"
)
CONDUIT_TABLE = (
    "NEC Table 310.16, copper, at most three conductors in a raceway, 30 °C (secondary copies): building wire, a "
    "conservative yardstick for a vehicle"
)
BOAT_BUNDLE_TABLE = (
    "ABYC E-11 Table VI-B, up to three conductors bundled or in conduit: 0.70 of the free-air figure (from memory)"
)
_TABLES = {"33 CFR 183.425": FREE_AIR_TABLE, "NEC 310.16": CONDUIT_TABLE, "ABYC E-11 VI-B": BOAT_BUNDLE_TABLE}
"""The short name that a finding prints, and the source behind it."""
AMBIENT_RULE = "ambient correction √((Tc - Ta) / (Tc - 30)), NEC 310.15(B)(1) (secondary copies)"
BUNDLE_TABLE = "NEC Table 310.15(C)(1), more than three conductors together (secondary copies)"
TERMINATION_RULE = "NEC 110.14(C), terminations (from memory), read in the table that applies to the cable"

INSULATIONS_C = (60, 75, 90, 105, 125)
LOWEST_INSULATION_C, HIGHEST_INSULATION_C = INSULATIONS_C[0], INSULATIONS_C[-1]
BOAT_BUNDLE_SHARE = 0.70
TABLE_AMBIENT_C = 30.0
COLDEST_CREDITED_C = 10
"""The table of ambient corrections begins here: colder air earns no more."""
MOST_IN_FREE_AIR = 2
"""Plus and minus of one circuit side by side still count as free air: BS 7671 Table 4D1A (copied in a forum) gives
two touching cables of 25 mm2 at 70 degC 126 A, where our free-air row gives 105 A at 60 and 125 A at 75 degC."""
BUNDLE_FACTORS: tuple[tuple[int, float], ...] = ((3, 1.0), (6, 0.80), (9, 0.70), (20, 0.50), (30, 0.45), (40, 0.40))
"""Conductors together up to so many, and the factor."""


@dataclass(frozen=True, slots=True)
class Ampacity:
    """What a conductor carries without limit of time.

    Attributes:
        amperes: corrected for ambient and bundling.
        words: how it comes about, with the table's short name, for a sentence.
        where: ``in free air``, ``bundled`` or ``in conduit``.
        source: the tables, and the row where it is not the stated size.
        terminations_a: what its lugs and studs allow by NEC 110.14(C), uncorrected.
        terminations_c: the rating of lugs and studs that this counts with, degC.
        most_fuse_a: the highest fuse allowed by NEC 240.4(D), a rule for building wire; None for larger gauges and in
            free air.

    """

    amperes: float
    words: str
    where: str
    source: str
    terminations_a: float
    terminations_c: int
    most_fuse_a: float | None


def ampacity(
    conductor: Conductor,
    insulation_c: int,
    ambient_c: float = TABLE_AMBIENT_C,
    bundled: int = MOST_IN_FREE_AIR,
    installation: Installation = "conduit",
    termination_c: int | None = None,
) -> Ampacity:
    """Return what ``conductor`` carries, A, with both corrections.

    Args:
        conductor: copper, of any size.
        insulation_c: what its insulation is rated for: one of ``INSULATIONS_C``.
        ambient_c: warmest air around it, degC.
        bundled: current-carrying conductors lying together; without meaning in free air.
        installation: which table applies.
        termination_c: what lugs and studs are rated for, degC; None by NEC 110.14(C): 60 up to 1 AWG, 75 above.

    Raises:
        BeyondTable: thinner than every row.

    """
    gauge = conductor.gauge
    if gauge is None:
        raise BeyondTable(f"{conductor.label} is thinner than 18 AWG (0.82 mm²), where the tables of ampacity begin")
    near = 1.0 if installation == "free-air" else _bundle_factor(bundled)
    columns = [column for column in reversed(INSULATIONS_C) if column <= insulation_c]
    column = max(columns, key=lambda each: _tabled(gauge, each, installation)[0] * ambient_factor(ambient_c, each))
    base, table = _tabled(gauge, column, installation)
    hot = ambient_factor(ambient_c, column)
    words = f"{base:g} A in the {column} °C column of {gauge.name} AWG, {table}"
    sources = [_TABLES[table] + _row_note(conductor, gauge)]
    if hot != 1.0:
        words += f", times {hot:g} at {ambient_c:g} °C"
        sources.append(AMBIENT_RULE)
    if near != 1.0:
        words += f", times {near:g} for {bundled} conductors together"
        sources.append(BUNDLE_TABLE)
    ends_c = termination_c or (60 if awg_number(gauge.name) >= 1 else 75)
    ends_a = max(_tabled(gauge, each, installation)[0] for each in INSULATIONS_C if each <= ends_c)
    return Ampacity(
        amperes=base * hot * near,
        words=words,
        where=INSTALLATION_WORDS[installation],
        source="; ".join(sources),
        terminations_a=ends_a,
        terminations_c=ends_c,
        most_fuse_a=None if installation == "free-air" else gauge.most_fuse_a,
    )


def _tabled(gauge: Gauge, insulation_c: int, installation: Installation) -> tuple[float, str]:
    """Return the uncorrected ampacity of a column, A, and the short name of its table."""
    if installation == "free-air":
        return gauge.free_air_a[insulation_c], "33 CFR 183.425"
    if insulation_c in gauge.conduit_a:
        return gauge.conduit_a[insulation_c], "NEC 310.16"
    return BOAT_BUNDLE_SHARE * gauge.free_air_a[insulation_c], "ABYC E-11 VI-B"


def _row_note(conductor: Conductor, gauge: Gauge) -> str:
    if conductor.label == f"{gauge.name} AWG":
        return ""
    return f" (row {gauge.name} AWG, {gauge.area_mm2:.3g} mm², as the next thinner to {conductor.label})"


def ambient_factor(ambient_c: float, insulation_c: int) -> float:
    """Return what the ampacity is multiplied by for the air around the cable; 0 where the air is as hot as it may be.

    NEC 310.15(B): ``√((Tc - Ta) / (Tc - 30))``, at the warm end of each band of 5 degC and to two decimals, which is
    how its table prints it.
    """
    band_c = max(COLDEST_CREDITED_C, 5 * math.ceil(ambient_c / 5))
    if band_c >= insulation_c:
        return 0.0
    return round(math.sqrt((insulation_c - band_c) / (insulation_c - TABLE_AMBIENT_C)), 2)


def _bundle_factor(bundled: int) -> float:
    return next(factor for up_to, factor in BUNDLE_FACTORS if bundled <= up_to)


@dataclass(frozen=True, slots=True)
class Carries:
    """What the conductor of a section carries: between the worst and the best that the file leaves open.

    Attributes:
        least, most: the same where the file states all that matters.
        undecided: the keys that are not stated and part the two.
        assumed: what ``least`` takes for granted, a sentence, or empty.

    """

    least: Ampacity
    most: Ampacity
    undecided: tuple[str, ...]
    assumed: str


def carries_of(wiring: Wiring) -> Carries | None:
    """Return what the conductor carries, or None where none is stated.

    Raises:
        BeyondTable: it is thinner than every row.

    """
    conductor = stated_conductor(wiring)
    if conductor is None:
        return None
    ambient = TABLE_AMBIENT_C if wiring.ambient_c is None else wiring.ambient_c
    bundled = MOST_IN_FREE_AIR if wiring.bundled_conductors is None else wiring.bundled_conductors
    installations = _installations(wiring)
    insulations = [wiring.insulation_c] * 2 if wiring.insulation_c else [LOWEST_INSULATION_C, HIGHEST_INSULATION_C]
    least, most = (
        ampacity(conductor, rated, ambient, bundled, installation, wiring.termination_c)
        for rated, installation in zip(insulations, installations, strict=True)
    )
    undecided, assumed = [], []
    if insulations[0] != insulations[1]:
        undecided.append("insulation_c")
        assumed.append(f"{LOWEST_INSULATION_C} °C insulation")
    if installations[0] != installations[1]:
        undecided.append("installation")
        assumed.append("installed in conduit")
    if wiring.ambient_c is None:
        assumed.append(f"{TABLE_AMBIENT_C:g} °C around the cable")
    if wiring.bundled_conductors is None and "free-air" not in installations[:1]:
        assumed.append("at most three conductors together")
    said = f" Assumed, because not stated: {', '.join(assumed)}." if assumed else ""
    return Carries(least, most, tuple(undecided), said)


def _installations(wiring: Wiring) -> tuple[Installation, Installation]:
    """Return the worst and the best installation that the file leaves open."""
    together = wiring.bundled_conductors or 1
    if together > MOST_IN_FREE_AIR and wiring.installation != "conduit":
        return "bundled", "bundled"
    if wiring.installation is not None:
        return wiring.installation, wiring.installation
    return "conduit", "free-air"
