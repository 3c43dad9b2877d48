"""Copper conductors: sizes, resistance and what they carry, from published tables.

Two families of tables, each said wherever one of its rows decides: American ones (AWG; NEC, the US electrical code)
and international ones (mm2; IEC 60228). The code books were not at hand: the rows were seen in several secondary
copies that agree, and what was not seen is named in ``from_memory``.

Nothing is interpolated. A size that a table does not hold counts as the next thinner one that it does, which is the
safe side, and the words of the result say so. The ampacities are those of building wire in a raceway: a conservative
yardstick for a vehicle, not its code (a single cable in free air carries half as much again).
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

from telemetry.machine.sections import Wiring

AMPACITY_TABLE = (
    "NEC Table 310.16, copper, at most three conductors in a raceway, 30 °C (secondary copies): a building-wire "
    "table, a conservative yardstick for a vehicle and not its code"
)
AMBIENT_TABLE = "NEC Table 310.15(B)(1), ambient correction, 30 °C base (secondary copies)"
BUNDLE_TABLE = "NEC Table 310.15(C)(1), more than three conductors together (secondary copies)"
SMALL_FUSE_RULE = "NEC 240.4(D), fuses of small conductors (secondary copies)"
STANDARD_FUSE_RULE = "NEC 240.6(A), standard fuse ratings (secondary copy)"
TERMINATION_RULE = "NEC 110.14(C), terminations (from memory)"
AWG_RESISTANCE_TABLE = "NEC Chapter 9 Table 8, uncoated stranded copper at 75 °C (secondary copies)"
MM2_RESISTANCE_TABLE = "IEC 60228 class 5 flexible copper, highest resistance at 20 °C (secondary copies)"

COPPER_RESISTIVITY = 0.017241
"""ohm mm2/m at 20 degC: annealed copper of 100 % conductivity (IEC 60028, by secondary copies)."""
COPPER_COEFFICIENT = 0.00393
"""Rise of resistance a degree, from 20 degC (IEC 60287-1-1, from memory); 0.00323 from 75 degC, as NEC Table 8
has it, is the same line."""
TABLE_8_C = 75.0
METRES_PER_KFT = 304.8


class BeyondTable(LookupError):
    """A size or temperature for which no row stands; the text is a sentence for the user."""


@dataclass(frozen=True, slots=True)
class Gauge:
    """One wire gauge: a row of the AWG tables.

    Attributes:
        name: as print on the cable gives it, ``"4"`` or ``"2/0"``.
        circular_mils: area in thousandths of an inch squared, of a round wire.
        stranded_ohm_per_kft, solid_ohm_per_kft: resistance at 75 degC, ohm per 1000 feet; None where not tabled.
        ampacity_a: by the insulation's rating in degC (60, 75, 90).
        most_fuse_a: the highest fuse allowed whatever the ampacity; None for larger gauges.
        from_memory: which of the fields were not seen in a copy.

    """

    name: str
    circular_mils: int
    stranded_ohm_per_kft: float
    solid_ohm_per_kft: float | None
    ampacity_a: Mapping[int, float]
    most_fuse_a: float | None = None
    from_memory: tuple[str, ...] = ()

    @property
    def area_mm2(self) -> float:
        """Copper area by the formula of ASTM B258."""
        return awg_area_mm2(self.name)


def _columns(at_60: float, at_75: float, at_90: float) -> Mapping[int, float]:
    return {60: at_60, 75: at_75, 90: at_90}


GAUGES: tuple[Gauge, ...] = (
    Gauge("18", 1620, 7.95, 7.77, {90: 14}, 7, ("stranded_ohm_per_kft", "solid_ohm_per_kft")),
    Gauge("16", 2580, 4.99, 4.89, {90: 18}, 10, ("solid_ohm_per_kft",)),
    Gauge("14", 4110, 3.14, 3.07, _columns(15, 20, 25), 15),
    Gauge("12", 6530, 1.98, 1.93, _columns(20, 25, 30), 20),
    Gauge("10", 10380, 1.24, 1.21, _columns(30, 35, 40), 30),
    Gauge("8", 16510, 0.778, 0.764, _columns(40, 50, 55)),
    Gauge("6", 26240, 0.491, None, _columns(55, 65, 75)),
    Gauge("4", 41740, 0.308, None, _columns(70, 85, 95)),
    Gauge("2", 66360, 0.194, None, _columns(95, 115, 130)),
    Gauge("1", 83690, 0.154, None, _columns(110, 130, 145)),
    Gauge("1/0", 105600, 0.122, None, _columns(125, 150, 170)),
    Gauge("2/0", 133100, 0.0967, None, _columns(145, 175, 195)),
    Gauge("3/0", 167800, 0.0766, None, _columns(165, 200, 225)),
    Gauge("4/0", 211600, 0.0608, None, _columns(195, 230, 260)),
)
"""From thin to thick."""

CLASS_5_OHM_PER_KM: Mapping[float, float] = {
    0.5: 39.0, 0.75: 26.0, 1: 19.5, 1.5: 13.3, 2.5: 7.98, 4: 4.95, 6: 3.30, 10: 1.91, 16: 1.21, 25: 0.780, 35: 0.554,
    50: 0.386, 70: 0.272, 95: 0.206, 120: 0.161,
}  # fmt: skip
"""Highest resistance of flexible plain copper at 20 degC, ohm/km, by nominal area in mm2, from thin to thick."""

AMBIENT_FACTORS: tuple[tuple[float, Mapping[int, float]], ...] = (
    (10, _columns(1.29, 1.20, 1.15)),
    (15, _columns(1.22, 1.15, 1.12)),
    (20, _columns(1.15, 1.11, 1.08)),
    (25, _columns(1.08, 1.05, 1.04)),
    (30, _columns(1.00, 1.00, 1.00)),
    (35, _columns(0.91, 0.94, 0.96)),
    (40, _columns(0.82, 0.88, 0.91)),
    (45, _columns(0.71, 0.82, 0.87)),
    (50, _columns(0.58, 0.75, 0.82)),
    (55, _columns(0.41, 0.67, 0.76)),
    (60, _columns(0.0, 0.58, 0.71)),
    (65, _columns(0.0, 0.47, 0.65)),
    (70, _columns(0.0, 0.33, 0.58)),
)
"""Ambient up to so many degC, and the factor by insulation rating; 0 where the table allows no current at all."""

BUNDLE_FACTORS: tuple[tuple[int, float], ...] = ((3, 1.0), (6, 0.80), (9, 0.70), (20, 0.50), (30, 0.45), (40, 0.40))
"""Conductors together up to so many, and the factor."""

STANDARD_FUSES_A = (
    15, 20, 25, 30, 35, 40, 45, 50, 60, 70, 80, 90, 100, 110, 125, 150, 175, 200, 225, 250, 300, 350, 400, 450, 500,
    600,
)  # fmt: skip


def awg_number(gauge: str) -> int:
    """Return the number that ASTM B258 reckons with: 4 for ``"4"``, 0 for ``"1/0"``, -3 for ``"4/0"``."""
    return 1 - int(gauge[0]) if "/" in gauge else int(gauge)


def awg_diameter_mm(gauge: str) -> float:
    """Return the diameter of a solid wire of that gauge, mm: 0.127 * 92**((36 - n) / 39) (ASTM B258)."""
    return float(0.127 * 92 ** ((36 - awg_number(gauge)) / 39))


def awg_area_mm2(gauge: str) -> float:
    """Return the copper area of that gauge, mm2, from its diameter."""
    return math.pi / 4 * awg_diameter_mm(gauge) ** 2


def copper_factor(temperature_c: float) -> float:
    """Return resistance at ``temperature_c`` over resistance at 20 degC."""
    return 1 + COPPER_COEFFICIENT * (temperature_c - 20)


@dataclass(frozen=True, slots=True)
class Conductor:
    """A conductor with the table rows that stand for it.

    Attributes:
        label: the size as stated, ``"4 AWG"`` or ``"25 mm²"``.
        ohm_per_m_20c: resistance of one metre at 20 degC.
        resistance_source: table, and the row where it is not the stated size.
        gauge: the AWG row whose ampacity stands for it; None where it is thinner than every row.

    """

    label: str
    ohm_per_m_20c: float | None
    resistance_source: str
    gauge: Gauge | None

    def ohm_per_m(self, conductor_c: float) -> float:
        """Return resistance at that temperature of the copper, ohm/m.

        Raises:
            BeyondTable: it is thinner than every row.

        """
        if self.ohm_per_m_20c is None:
            raise BeyondTable(f"{self.label} is thinner than every row of the table of resistances")
        return self.ohm_per_m_20c * copper_factor(conductor_c)

    def loop_ohm(self, one_way_m: float, conductor_c: float) -> float:
        """Return resistance of the way there and back, ohm."""
        return 2 * one_way_m * self.ohm_per_m(conductor_c)


def stated_conductor(wiring: Wiring) -> Conductor | None:
    """Return the conductor that a wiring section states, or None where it states none."""
    if wiring.conductor_awg is not None:
        return awg_conductor(wiring.conductor_awg)
    if wiring.conductor_mm2 is not None:
        return mm2_conductor(wiring.conductor_mm2)
    return None


def awg_conductor(name: str) -> Conductor:
    """Return a stranded conductor of a wire gauge; resistance by NEC Table 8."""
    label = f"{name} AWG"
    gauge = _gauge_up_to(awg_area_mm2(name))
    if gauge is None:
        return Conductor(label, None, AWG_RESISTANCE_TABLE, None)
    row = "" if gauge.name == name else f", row {gauge.name} AWG as the next thinner to {label}"
    mark = ", this row from memory" if "stranded_ohm_per_kft" in gauge.from_memory else ""
    per_m = gauge.stranded_ohm_per_kft / METRES_PER_KFT / copper_factor(TABLE_8_C)
    return Conductor(label, per_m, f"{AWG_RESISTANCE_TABLE}{row}{mark}", gauge)


def mm2_conductor(area_mm2: float) -> Conductor:
    """Return a flexible conductor of a metric size; resistance by IEC 60228, ampacity by the next thinner AWG row."""
    label = f"{area_mm2:g} mm²"
    rows = [size for size in CLASS_5_OHM_PER_KM if size <= area_mm2]
    if not rows:
        return Conductor(label, None, MM2_RESISTANCE_TABLE, None)
    row = "" if rows[-1] == area_mm2 else f", row {rows[-1]:g} mm² as the next thinner to {label}"
    per_m = CLASS_5_OHM_PER_KM[rows[-1]] / 1000
    return Conductor(label, per_m, f"{MM2_RESISTANCE_TABLE}{row}", _gauge_up_to(area_mm2))


def _gauge_up_to(area_mm2: float) -> Gauge | None:
    """Return the thickest tabled gauge of at most that area; None where all are thicker."""
    return next((gauge for gauge in reversed(GAUGES) if gauge.area_mm2 <= area_mm2 * (1 + 1e-9)), None)


@dataclass(frozen=True, slots=True)
class Ampacity:
    """What a conductor carries without limit of time.

    Attributes:
        amperes: corrected for ambient and bundling.
        words: how it came about, for a sentence.
        source: the tables, and the row where it is not the stated size.
        terminations_a: what lugs and studs of ordinary rating allow, by NEC 110.14(C), uncorrected.
        most_fuse_a: the highest fuse allowed by 240.4(D); None for larger gauges.

    """

    amperes: float
    words: str
    source: str
    terminations_a: float
    most_fuse_a: float | None


def ampacity(conductor: Conductor, insulation_c: int, ambient_c: float = 30.0, bundled: int = 2) -> Ampacity:
    """Return what ``conductor`` carries, A, by NEC Table 310.16 with both corrections.

    Args:
        conductor: copper, of any size.
        insulation_c: what its insulation is rated for: 60, 75 or 90 degC.
        ambient_c: warmest air around it, degC.
        bundled: current-carrying conductors lying together.

    Raises:
        BeyondTable: thinner than every row, or hotter than the table goes.

    """
    gauge = conductor.gauge
    if gauge is None:
        raise BeyondTable(f"{conductor.label} is thinner than 18 AWG (0.82 mm²), where the table of ampacity begins")
    base, words = _table_ampacity(gauge, insulation_c)
    sources = [_ampacity_source(conductor, gauge)]
    hot = _ambient_factor(ambient_c, insulation_c)
    if insulation_c not in gauge.ampacity_a:
        sources.append(SMALL_FUSE_RULE)
        hot = min(hot, 1.0)  # what stands in is a fuse's rating, and cold air raises no such bound
    if hot != 1.0:
        words += f", times {hot:g} at {ambient_c:g} °C"
        sources.append(AMBIENT_TABLE)
    near = _bundle_factor(bundled)
    if near != 1.0:
        words += f", times {near:g} for {bundled} conductors together"
        sources.append(BUNDLE_TABLE)
    ordinary = 60 if awg_number(gauge.name) >= 1 else 75
    terminations, _ = _table_ampacity(gauge, ordinary)
    return Ampacity(base * hot * near, words, "; ".join(sources), terminations, gauge.most_fuse_a)


def _ampacity_source(conductor: Conductor, gauge: Gauge) -> str:
    if conductor.label == f"{gauge.name} AWG":
        return AMPACITY_TABLE
    row = f"row {gauge.name} AWG, {gauge.area_mm2:.3g} mm², as the next thinner to {conductor.label}"
    return f"{AMPACITY_TABLE} ({row})"


def _table_ampacity(gauge: Gauge, insulation_c: int) -> tuple[float, str]:
    """Return the ampacity of a column, with words; a small gauge without a figure there has its fuse's."""
    if insulation_c in gauge.ampacity_a:
        amperes = gauge.ampacity_a[insulation_c]
        return amperes, f"{amperes:g} A in the {insulation_c} °C column of {gauge.name} AWG"
    amperes = gauge.most_fuse_a or 0.0
    return amperes, f"{amperes:g} A, the highest fuse of {gauge.name} AWG, which has no figure at {insulation_c} °C"


def _ambient_factor(ambient_c: float, insulation_c: int) -> float:
    for up_to, factors in AMBIENT_FACTORS:
        if ambient_c <= up_to:
            return factors[insulation_c]
    if ambient_c >= insulation_c:
        return 0.0
    raise BeyondTable(f"{ambient_c:g} °C around the cable is hotter than the 70 °C where the table ends")


def _bundle_factor(bundled: int) -> float:
    return next(factor for up_to, factor in BUNDLE_FACTORS if bundled <= up_to)


def next_standard_fuse(amperes: float) -> float:
    """Return the lowest standard fuse rating at or above ``amperes``; ``amperes`` itself outside the list.

    Below the list too: 15 A is no next size for a conductor that carries 5 A.
    """
    if amperes < STANDARD_FUSES_A[0]:
        return amperes
    return next((float(rating) for rating in STANDARD_FUSES_A if rating >= amperes), amperes)
