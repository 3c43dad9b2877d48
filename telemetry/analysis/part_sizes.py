"""The least size of each part that a recorded duty asks for, with reason, source and margin.

Every size is a floor for that duty and no more: the heaviest duty must be in the recording.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace
from itertools import product
from typing import Literal

from telemetry.analysis.duty import PULLS_S, Duty
from telemetry.analysis.parts_seen import PEAK_S, Worst
from telemetry.machine.ampacity import INSULATIONS_C, Ampacity, Carries, Installation, carries_of
from telemetry.machine.conductors import (
    CLASS_5_OHM_PER_KM,
    STANDARD_FUSE_RULE,
    STANDARD_FUSES_A,
    BeyondTable,
)
from telemetry.machine.fit.fuses import FUSE_MARGIN
from telemetry.machine.fit.wires import CONNECTOR_SHARE
from telemetry.machine.fuse_time import BAND_SOURCE, fuse_band
from telemetry.machine.limits_current import (
    CONNECTOR_WINDOW_S,
    CURRENT_WARN_SHARE,
    FUSE_WINDOW_S,
    UNSTATED_PACK_WINDOW_S,
    conductor_window_s,
)
from telemetry.machine.pack_keys import Wiring
from telemetry.model.time_text import clock, length

Kind = Literal["conductor", "fuse", "connector", "pack-continuous", "pack-peak", "pack-charge"]
LEAST_LOADED_S = 600.0
"""Time under load that a size needs: wire and pack reach most of their heat in ten minutes. Ours."""
INSTALLATIONS: tuple[Installation, ...] = ("conduit", "free-air")
"""A bundle goes by the same table as a conduit."""
BRAKING_S = 1.0
LEAST_BRAKING_A = 1.0
"""Below this the current into the pack is the sensor's offset rather than braking."""
_MARGIN = f"{100 * (1 - CURRENT_WARN_SHARE):.0f} % headroom, where the alarm on it begins"


@dataclass(frozen=True, slots=True)
class Size:
    """The size of one part.

    Attributes:
        kind: of part; ``insulation_c`` tells several conductors apart.
        part: in words.
        least, most: in ``unit``; None where not known, or where nothing bounds it from above.
        unit: mm² or A.
        seconds: of a peak, how long it must be given; None for others.
        why: what asks for it, a sentence; where it is not known, why.
        margin: what is added to the measured figure, a clause.
        source: of the rule.
    """

    kind: Kind
    part: str
    least: float | None
    most: float | None
    unit: str
    seconds: float | None
    why: str
    margin: str
    source: str
    insulation_c: int | None = None


def part_sizes(duty: Duty, wiring: Wiring) -> tuple[Size, ...]:
    """Return the sizes that a duty asks for, in the order fuse, conductors, connector, pack.

    Args:
        duty: what a session asked.
        wiring: what the owner states of the cable to the controller; what it leaves open is sized for each choice.
    """
    fuse = _fuse(duty, wiring)
    sizes = (fuse, *_conductors(duty, wiring, fuse), _connector(duty), *_pack(duty))
    if duty.loaded_s >= LEAST_LOADED_S:
        return sizes
    little = (
        f"Not known: only {length(duty.loaded_s)} under load, and heat needs {length(LEAST_LOADED_S)} to show. "
        "Record a drive under the usual load."
    )
    return tuple(replace(each, least=None, most=None, seconds=None, why=little) for each in sizes)


def _steady(found: Worst, window_s: float) -> str:
    return f"{found.value:.3g} A (thermal average over {window_s:.0f} s) at {clock(found.at_s)}"


def _fuse(duty: Duty, wiring: Wiring) -> Size:
    """Return the band of the main fuse: it must not tire, and it must protect the stated conductor."""
    found = duty.thermal(FUSE_WINDOW_S)
    least_a = FUSE_MARGIN * found.value
    lasting = [float(size) for size in STANDARD_FUSES_A if size >= least_a]
    least = next((size for size in lasting if not _opened_by(duty, size)), None)
    margin = f"{FUSE_MARGIN:g} times the thermal average, then the next standard rating"
    source = f"NEC 210.20(A) for continuous loads; {BAND_SOURCE}; {STANDARD_FUSE_RULE}"
    why = f"{_steady(found, FUSE_WINDOW_S)} times {FUSE_MARGIN:g} is {least_a:.3g} A."
    smaller = [size for size in lasting if least is None or size < least]
    if smaller:
        seconds = _opened_by(duty, smaller[-1])
        why += f" A {smaller[-1]:g} A fuse may open at {duty.held(seconds).value:.0f} A for {seconds:g} s."
    elif least is not None:
        why += " Every pull stays below what the fuse carries for that time."
    if least is None:
        why += " No standard rating is that high."
        return Size("fuse", "main fuse", None, None, "A", None, why, margin, source)
    most = None
    carries = _carried(wiring)
    if carries is None:
        why += " How high it may be follows from the conductor below."
    else:
        carried = carries.least
        most = _highest_fuse(carried)
        why += f" The stated conductor carries {carried.amperes:.3g} A ({carried.words}).{carries.assumed}"
        if most is None or most < least:
            why += " No fuse both lasts and protects it: fit a thicker conductor."
            most = None
    return Size("fuse", "main fuse", least, most, "A", None, why, margin, source)


def _opened_by(duty: Duty, fuse_a: float) -> float:
    """Return how long the pull lasted, s, at which a fuse may open: beyond the early edge of its band; 0 for none."""
    band = fuse_band(fuse_a)
    return next((each for each in (PEAK_S, *PULLS_S) if duty.held(each).value > band.carried_a(each)), 0.0)


def _carried(wiring: Wiring) -> Carries | None:
    try:
        return carries_of(wiring)
    except BeyondTable:
        return None


def _conductors(duty: Duty, wiring: Wiring, fuse: Size) -> Iterator[Size]:
    """Yield the least conductor for each installation and insulation that is left open."""
    installations = [wiring.installation] if wiring.installation else INSTALLATIONS
    insulations = [wiring.insulation_c] if wiring.insulation_c else INSULATIONS_C
    known = set()
    for installation, insulation in product(installations, insulations):
        size = _conductor(duty, replace(wiring, installation=installation, insulation_c=insulation), fuse)
        if size.part not in known:  # a bundle stated by its number overrules free air
            yield size
        known.add(size.part)


def _conductor(duty: Duty, wiring: Wiring, fuse: Size) -> Size:
    """Return the least conductor that carries the duty, ends included, and that the lowest lasting fuse protects."""
    margin = "none beyond the table; the fuse's margin is in it"
    where: str = wiring.installation or ""
    for area in CLASS_5_OHM_PER_KM:
        carries = _carried(replace(wiring, conductor_mm2=area, conductor_awg=None))
        if carries is None:
            continue
        carried, window = carries.least, conductor_window_s(area)
        where, found, most_fuse = carried.where, duty.thermal(window), _highest_fuse(carried)
        if min(carried.amperes, carried.terminations_a) < found.value:
            continue
        if fuse.least is None or most_fuse is None or most_fuse < fuse.least:
            continue
        why = f"It carries {carried.amperes:.3g} A ({carried.words}); the drive asks for {_steady(found, window)}."
        why += f" A fuse of {_band(fuse.least, most_fuse)} A protects it."
        part = f"conductor {carried.where}, {wiring.insulation_c} °C insulation"
        margin += _lowered(carries.assumed)
        return Size("conductor", part, area, None, "mm²", None, why, margin, carried.source, wiring.insulation_c)
    part = f"conductor {where}, {wiring.insulation_c} °C insulation"
    why = "Not known: no size in the table carries it with a fuse that lasts."
    return Size("conductor", part, None, None, "mm²", None, why, margin, "", wiring.insulation_c)


def _lowered(assumed: str) -> str:
    """Return what was assumed as a clause behind a semicolon; empty for nothing."""
    text = assumed.strip().rstrip(".")
    return f"; {text[0].lower()}{text[1:]}" if text else ""


def _highest_fuse(carried: Ampacity) -> float | None:
    """Return the highest standard fuse, A, that protects a conductor; None where none is that small."""
    protects = min(carried.amperes, carried.most_fuse_a or math.inf)
    return max((float(size) for size in STANDARD_FUSES_A if size <= protects), default=None)


def _band(least: float, most: float) -> str:
    return f"{least:g}" if least == most else f"{least:g} to {most:g}"


def _connector(duty: Duty) -> Size:
    found = duty.thermal(CONNECTOR_WINDOW_S)
    least = found.value / CONNECTOR_SHARE
    why = f"{_steady(found, CONNECTOR_WINDOW_S)} over {CONNECTOR_SHARE:g}."
    margin = f"loaded to {100 * CONNECTOR_SHARE:.0f} % of its rating, for contacts age"
    return Size(
        "connector", "connector or contactor", least, None, "A", None, why, margin, "common practice, from memory"
    )


def _pack(duty: Duty) -> Iterator[Size]:
    """Yield the ratings of the pack: continuous, peak with its time, and what it must take while braking."""
    source = "the pack's sheet against the drive"
    found = duty.thermal(UNSTATED_PACK_WINDOW_S)
    continuous = found.value / CURRENT_WARN_SHARE
    why = f"{_steady(found, UNSTATED_PACK_WINDOW_S)}."
    yield Size("pack-continuous", "pack, continuous discharge", continuous, None, "A", None, why, _MARGIN, source)
    peak, seconds = duty.held(PEAK_S), duty.above_s(continuous)
    by_time = ", ".join(f"{duty.held(each).value:.0f} A for {each:g} s" for each in PULLS_S)
    why = f"{peak.value:.0f} A at {clock(peak.at_s)}; held: {by_time}."
    why += f" Longest time above {continuous:.0f} A: {length(seconds)}."
    if duty.interval_s > PEAK_S:
        why += f" The recording has a row every {duty.interval_s:.2g} s: a shorter peak is not in it."
    least = peak.value / CURRENT_WARN_SHARE
    yield Size("pack-peak", "pack, peak discharge", least, None, "A", seconds, why, _MARGIN, source)
    into = duty.braking(BRAKING_S)
    if into.value < LEAST_BRAKING_A:
        why = "Not known: the recording shows no braking current to speak of."
        yield Size("pack-charge", "pack, charge while braking", None, None, "A", None, why, _MARGIN, source)
        return
    why = f"{into.value:.1f} A into the pack for {BRAKING_S:g} s at {clock(into.at_s)}."
    least = into.value / CURRENT_WARN_SHARE
    yield Size("pack-charge", "pack, charge while braking", least, None, "A", None, why, _MARGIN, source)
