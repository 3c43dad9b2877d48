"""Copper conductors: sizes, resistance and the tabled currents, from published tables.

Two families of tables, each named wherever one of its rows decides: American ones (AWG; NEC, the US electrical code,
and the US boat regulation 33 CFR 183) and international ones (mm2; IEC 60228). The code books were not at hand: the
rows were seen in secondary copies that agree, and what was not seen is named in ``from_memory``.

Nothing is interpolated. A size that a table does not hold counts as the next thinner one that it does, which is the
safe side, and the words of the result say so. :mod:`telemetry.machine.ampacity` says what a conductor carries.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

from telemetry.machine.pack_keys import Wiring

SMALL_FUSE_RULE = "NEC 240.4(D), fuses of small conductors (secondary copies)"
STANDARD_FUSE_RULE = "NEC 240.6(A), standard fuse ratings (secondary copy)"
AWG_RESISTANCE_TABLE = "NEC Chapter 9 Table 8, uncoated stranded copper at 75 °C (secondary copies)"
MM2_RESISTANCE_TABLE = "IEC 60228 class 5 flexible copper, highest resistance at 20 °C (secondary copies)"

COPPER_COEFFICIENT = 0.00393
"""Rise of resistance a degree, from 20 degC (IEC 60287-1-1, from memory); 0.00323 from 75 degC, as NEC Table 8
has it, is the same line."""
TABLE_8_C = 75.0
METRES_PER_KFT = 304.8


class BeyondTable(LookupError):
    """A size or temperature for which there is no row; the text is a sentence for the user."""


@dataclass(frozen=True, slots=True)
class Gauge:
    """One wire gauge: a row of the AWG tables.

    Attributes:
        name: as print on the cable gives it, ``"4"`` or ``"2/0"``.
        circular_mils: area in thousandths of an inch squared, of a round wire.
        stranded_ohm_per_kft, solid_ohm_per_kft: resistance at 75 degC, ohm per 1000 feet; None where not tabled.
        conduit_a: NEC Table 310.16, at most three conductors in a raceway in 30 degC air, by the insulation's rating
            in degC (60, 75, 90; 18 and 16 AWG have 90 alone).
        free_air_a: 33 CFR 183.425 Table 5, a single conductor in 30 degC air, likewise (60, 75, 90, 105, 125).
        most_fuse_a: the highest fuse allowed whatever the ampacity; None for larger gauges.
        from_memory: which of the fields were not seen in a copy.

    """

    name: str
    circular_mils: int
    stranded_ohm_per_kft: float
    solid_ohm_per_kft: float | None
    conduit_a: Mapping[int, float]
    free_air_a: Mapping[int, float]
    most_fuse_a: float | None = None
    from_memory: tuple[str, ...] = ()

    @property
    def area_mm2(self) -> float:
        """Copper area by the formula of ASTM B258."""
        return awg_area_mm2(self.name)


def _conduit(at_60: float, at_75: float, at_90: float) -> Mapping[int, float]:
    return {60: at_60, 75: at_75, 90: at_90}


def _free(at_60: float, at_75: float, at_90: float, at_105: float, at_125: float) -> Mapping[int, float]:
    return {60: at_60, 75: at_75, 90: at_90, 105: at_105, 125: at_125}


GAUGES: tuple[Gauge, ...] = (
    Gauge(
        "18", 1620, 7.95, 7.77, {90: 14}, _free(10, 10, 20, 20, 25), 7, ("stranded_ohm_per_kft", "solid_ohm_per_kft")
    ),
    Gauge("16", 2580, 4.99, 4.89, {90: 18}, _free(15, 15, 25, 25, 30), 10, ("solid_ohm_per_kft",)),
    Gauge("14", 4110, 3.14, 3.07, _conduit(15, 20, 25), _free(20, 20, 30, 35, 40), 15),
    Gauge("12", 6530, 1.98, 1.93, _conduit(20, 25, 30), _free(25, 25, 40, 45, 50), 20),
    Gauge("10", 10380, 1.24, 1.21, _conduit(30, 35, 40), _free(40, 40, 55, 60, 70), 30),
    Gauge("8", 16510, 0.778, 0.764, _conduit(40, 50, 55), _free(55, 65, 70, 80, 90)),
    Gauge("6", 26240, 0.491, None, _conduit(55, 65, 75), _free(80, 95, 100, 120, 125)),
    Gauge("4", 41740, 0.308, None, _conduit(70, 85, 95), _free(105, 125, 135, 160, 170)),
    Gauge("2", 66360, 0.194, None, _conduit(95, 115, 130), _free(140, 170, 180, 210, 225)),
    Gauge("1", 83690, 0.154, None, _conduit(110, 130, 145), _free(165, 195, 210, 245, 265)),
    Gauge("1/0", 105600, 0.122, None, _conduit(125, 150, 170), _free(195, 230, 245, 285, 305)),
    Gauge("2/0", 133100, 0.0967, None, _conduit(145, 175, 195), _free(225, 265, 285, 330, 355)),
    Gauge("3/0", 167800, 0.0766, None, _conduit(165, 200, 225), _free(260, 310, 330, 385, 410)),
    Gauge("4/0", 211600, 0.0608, None, _conduit(195, 230, 260), _free(300, 360, 385, 445, 475)),
)
"""From thin to thick."""

CLASS_5_OHM_PER_KM: Mapping[float, float] = {
    0.5: 39.0, 0.75: 26.0, 1: 19.5, 1.5: 13.3, 2.5: 7.98, 4: 4.95, 6: 3.30, 10: 1.91, 16: 1.21, 25: 0.780, 35: 0.554,
    50: 0.386, 70: 0.272, 95: 0.206, 120: 0.161,
}  # fmt: skip
"""Highest resistance of flexible plain copper at 20 degC, ohm/km, by nominal area in mm2, from thin to thick."""

STANDARD_FUSES_A = (
    15, 20, 25, 30, 35, 40, 45, 50, 60, 70, 80, 90, 100, 110, 125, 150, 175, 200, 225, 250, 300, 350, 400, 450, 500,
    600,
)  # fmt: skip


def awg_number(gauge: str) -> int:
    """Return the number that ASTM B258 uses: 4 for ``"4"``, 0 for ``"1/0"``, -3 for ``"4/0"``."""
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
    """A conductor with its table rows.

    Attributes:
        label: the size as stated, ``"4 AWG"`` or ``"25 mm²"``.
        ohm_per_m_20c: resistance of one metre at 20 degC.
        resistance_source: table, and the row where it is not the stated size.
        gauge: the AWG row whose ampacity is used; None where it is thinner than every row.

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
        """Return resistance there and back, ohm."""
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


def next_standard_fuse(amperes: float) -> float:
    """Return the lowest standard fuse rating at or above ``amperes``; ``amperes`` itself outside the list.

    Below the list too: 15 A is not the next size for a conductor that carries 5 A.
    """
    if amperes < STANDARD_FUSES_A[0]:
        return amperes
    return next((float(rating) for rating in STANDARD_FUSES_A if rating >= amperes), amperes)
