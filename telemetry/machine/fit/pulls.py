"""A current that lasts for a time, up a hill or braking, against all that it flows through."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass, replace

from telemetry.machine.ampacity import carries_of
from telemetry.machine.conductors import BeyondTable, stated_conductor
from telemetry.machine.fit.cables import size_note
from telemetry.machine.fit.findings import Finding, judged, unknown, worst
from telemetry.machine.fit.loads import Current, nearly_empty_v, peak
from telemetry.machine.fuse_time import fuse_band
from telemetry.machine.limits_current import (
    CONNECTOR_WINDOW_S,
    carried_current,
    carried_time,
    conductor_area_mm2,
    conductor_origin,
    conductor_window_s,
)
from telemetry.machine.sections import Machine
from telemetry.model.words import capital

_IN_SECONDS, _IN_MINUTES = 120, 7200
"""Times below which a person counts in seconds, and in minutes, s."""


Lack = tuple[tuple[str, str], ...]
_HEAT_SOURCE = "heat by the square of the current with the part's time constant, from memory"
_HILL_SOURCE = "[machine] hill_current_a for hill_s against each part's rating for that time"
A_MOMENT_S = 0.1
_HILL_KEYS = (("machine", "hill_current_a"), ("machine", "hill_s"))


@dataclass(frozen=True, slots=True)
class Pull:
    """A current that lasts.

    Attributes:
        current: how much.
        seconds: how long; ``inf`` where that is not stated.
        before_a: what flowed for a long time before, A.
        charges: it flows into the pack.

    """

    current: Current
    seconds: float
    before_a: float = 0.0
    charges: bool = False


@dataclass(frozen=True, slots=True)
class Carried:
    """What one part carries for the time of a pull.

    Attributes:
        name: of the part, for a sentence.
        least_a: up to this it carries it for sure.
        most_a: above this it does not, for sure; the same where one figure decides.
        words: how that is known, a clause.
        beyond: what follows above, a sentence.
        source: of the figures.
        lacking: the keys that decide between both; empty where none would.

    """

    name: str
    least_a: float
    most_a: float
    words: str
    beyond: str
    source: str
    lacking: Lack = ()

    def against(self, pull: Pull) -> Finding:
        """Return the verdict on a pull through this part."""
        amperes = pull.current.amperes
        said = f"{pull.current.words}{_time_words(pull.seconds)}; the {self.name} {self.words}"
        if amperes <= self.least_a:
            return judged("ok", said, self.source, value=amperes, limit=self.least_a, unit="A")
        if amperes <= self.most_a and self.lacking:
            return unknown(*self.lacking, unit="A", source=self.source, note=f"{capital(said)}.")
        if amperes <= self.most_a:
            why = f"{said}. {self.beyond}"
            return judged("caution", why, self.source, value=amperes, limit=self.least_a, unit="A")
        verdict = pull.current.against(self.most_a)
        return judged(verdict, f"{said}. {self.beyond}", self.source, value=amperes, limit=self.most_a, unit="A")


def hill(machine: Machine) -> Finding:
    """Compare the longest hard pull with pack, fuse, conductor and connector, for as long as it lasts."""
    vehicle = machine.vehicle
    pull = _hill_pull(machine)
    if pull is None:
        return worst([_allowed(machine), unknown(*_hill_lack(machine), unit="A", source=_HILL_SOURCE)])
    found = _judge_timed(machine, pull, "hill_s")
    if vehicle.hill_current_a is None and found.verdict != "ok":
        carried = "; ".join(_carry_words(machine, pull))
        note = f"With {pull.current.words}: {carried}." if carried else ""
        found = unknown(*_hill_lack(machine), unit="A", source=_HILL_SOURCE, note=note)
    return worst([found, _allowed(machine)])


def _hill_lack(machine: Machine) -> Lack:
    return tuple(key for key in _HILL_KEYS if getattr(machine.vehicle, key[1]) is None)


def _hill_pull(machine: Machine) -> Pull | None:
    """Return the hill as stated; else the peak as its current, with no end."""
    vehicle, before = machine.vehicle, _before(machine)
    seconds = math.inf if vehicle.hill_s is None else vehicle.hill_s
    if vehicle.hill_current_a is not None:
        current = Current(vehicle.hill_current_a, f"{vehicle.hill_current_a:g} A on the longest hard pull")
        return Pull(current, seconds, before)
    drawn = _peak_draw(machine)
    return None if drawn is None else Pull(drawn, seconds, before)


def _before(machine: Machine) -> float:
    """Return what flows before a pull, A: the steady current, or 0 where it is not stated."""
    return machine.vehicle.continuous_current_a or 0.0


def _peak_draw(machine: Machine) -> Current | None:
    found = peak(machine, nearly_empty_v(machine))
    if found is None:
        return None
    current = found.highest
    return current if current.is_bound else replace(current, words=f"the peak of {current.words}")


def _allowed(machine: Machine) -> Finding:
    """Find a fuse that opens within the time for which the pack gives its peak: then it opens while driving."""
    pack, fuse, drawn = machine.pack, machine.wiring.fuse_a, _peak_draw(machine)
    fine = judged("ok", "", _HILL_SOURCE, unit="A")
    if pack.peak_discharge_a is None or pack.peak_discharge_s is None or fuse is None:
        return fine
    amperes = pack.peak_discharge_a if drawn is None else min(drawn.amperes, pack.peak_discharge_a)
    band = fuse_band(fuse, machine.wiring.fuse_curve)
    most = band.opened_a(pack.peak_discharge_s)
    if amperes <= most:
        return fine
    why = (
        f"the pack allows {amperes:.3g} A for {pack.peak_discharge_s:g} s, but the {fuse:g} A fuse opens within "
        f"{_span(band.opened_s(amperes))}: drive and electric brake are gone. Set the controller's limits of current "
        "and time below the fuse's curve, or fit a larger fuse on a conductor that it protects."
    )
    return judged("caution", why, f"[pack] peak_discharge_s; {band.source}", value=amperes, limit=most, unit="A")


def braking_pull(machine: Machine, braking_a: float) -> Finding:
    """Compare a braking current with pack, fuse, conductor and connector, for as long as it is stated to last."""
    current = Current(braking_a, f"braking charges the pack with {braking_a:g} A")
    seconds = machine.vehicle.braking_s or math.inf
    return _judge_timed(machine, Pull(current, seconds, _before(machine), charges=True), "braking_s")


def _judge_timed(machine: Machine, pull: Pull, time_key: str) -> Finding:
    """Judge a pull; without its time ok if it may last for ever, a stop if not even a moment is possible."""
    found = judge_pull(machine, pull)
    if found.verdict == "ok" or math.isfinite(pull.seconds):
        return found
    at_once = judge_pull(machine, replace(pull, seconds=A_MOMENT_S))
    if at_once.verdict in ("stop", "caution"):
        return at_once
    lacking = dict.fromkeys([("machine", time_key), *at_once.lacking])
    note = f"{capital(pull.current.words)}: {'; '.join(_carry_words(machine, pull))}."
    return unknown(*lacking, unit="A", source=found.source, note=note)


def judge_pull(machine: Machine, pull: Pull) -> Finding:
    """Return the worst verdict over all that the pull flows through; what is not stated makes one unknown."""
    found = [part if isinstance(part, Finding) else part.against(pull) for part in _parts(machine, pull)]
    lacking = tuple(dict.fromkeys(key for each in found for key in each.lacking))
    decided = worst(found)
    if decided.verdict == "unknown" and lacking:
        notes = " ".join(dict.fromkeys(each.note for each in found if each.note))
        return unknown(*lacking, unit="A", source=decided.source, note=notes)
    if decided.verdict != "ok":
        return _with_others(decided, zip(_parts(machine, pull), found, strict=True))
    tightest = min(found, key=lambda each: math.inf if each.limit is None else each.limit)
    carried = "; ".join(_carry_words(machine, pull))
    why = f"{pull.current.words}{_time_words(pull.seconds)}: {carried}."
    sources = "; ".join(dict.fromkeys(source for each in found for source in each.source.split("; ")))
    return replace(tightest, why=why, source=sources)


def _with_others(decided: Finding, parts: Iterable[tuple[Carried | Finding, Finding]]) -> Finding:
    """Return a finding with what every other part fails at behind it: who mends the first part mends all."""
    others = [
        (part, found)
        for part, found in parts
        if isinstance(part, Carried) and found.verdict in ("stop", "caution") and found is not decided
    ]
    also = [f"The {part.name} {part.words}. {part.beyond}" for part, _ in others]
    sources = "; ".join(dict.fromkeys("; ".join([decided.source, *(each.source for _, each in others)]).split("; ")))
    return replace(decided, why=" ".join([decided.why, *also]), source=sources)


def _carry_words(machine: Machine, pull: Pull) -> list[str]:
    return [f"the {part.name} {part.words}" for part in _parts(machine, pull) if isinstance(part, Carried)]


def _parts(machine: Machine, pull: Pull) -> list[Carried | Finding]:
    """Return what each part carries, or the unknown of a part that the file does not state."""
    pack = _pack_charge(machine, pull) if pull.charges else _pack(machine, pull)
    return [pack, _fuse(machine, pull), _conductor(machine, pull), _connector(machine, pull)]


def _pack(machine: Machine, pull: Pull) -> Carried | Finding:
    pack = machine.pack
    ratings = (pack.continuous_discharge_a, pack.peak_discharge_a, pack.peak_discharge_s)
    beyond = "The BMS may trip in the middle of it: drive and electric brake are gone."
    return _pack_for(pull, ratings, ("continuous_discharge_a", "peak_discharge_a", "peak_discharge_s"), beyond)


def _pack_charge(machine: Machine, pull: Pull) -> Carried | Finding:
    pack = machine.pack
    continuous, highest = pack.continuous_charge_a, pack.peak_charge_a
    # Without a peak on the sheet the continuous figure holds for braking too.
    ratings = (continuous, continuous if highest is None else highest, pack.peak_charge_s if highest else math.inf)
    beyond = (
        "The BMS may disable charge, the controller's voltage jumps and the electric brake is gone: set "
        "the braking current "
        "lower"
        + (", or state [pack] peak_charge_a and peak_charge_s if the sheet allows more." if not highest else ".")
    )
    return _pack_for(pull, ratings, ("continuous_charge_a", "peak_charge_a", "peak_charge_s"), beyond)


def _pack_for(
    pull: Pull,
    ratings: tuple[float | None, float | None, float | None],
    keys: tuple[str, str, str],
    beyond: str,
) -> Carried | Finding:
    """Return what a pack carries by its continuous rating, its peak and the time of that peak."""
    (continuous, highest, seconds), amperes = ratings, pull.current.amperes
    source = f"[pack] {keys[0]}, {keys[1]} and {keys[2]}"
    charging = " for charging" if pull.charges else ""
    if continuous is not None and (amperes <= continuous or highest == continuous):
        words = f"is rated {continuous:g} A continuous{charging}"
        return Carried("pack", continuous, continuous, words, beyond, source)
    if highest is not None and amperes > highest:
        return Carried("pack", highest, highest, f"is rated at most {highest:g} A{charging}", beyond, source)
    if highest is None or seconds is None:
        lacking = [key for key, rating in zip(keys, ratings, strict=True) if rating is None]
        note = "" if seconds is not None else "Peaks are commonly rated for 3 to 30 s (from memory)."
        return unknown(*(("pack", key) for key in lacking), unit="A", source=source, note=note)
    if pull.seconds <= seconds:
        words = f"is rated {highest:g} A for {_span(seconds)}{charging}"
        return Carried("pack", highest, highest, words, beyond, source)
    if continuous is None:
        return unknown(("pack", keys[0]), unit="A", source=source)
    words = f"is rated {highest:g} A for only {_span(seconds)} and {continuous:g} A continuous{charging}"
    return Carried("pack", continuous, continuous, words, beyond, source)


def _fuse(machine: Machine, pull: Pull) -> Carried | Finding:
    wiring, amperes = machine.wiring, pull.current.amperes
    if wiring.fuse_a is None:
        return unknown(("wiring", "fuse_a"), unit="A", source=_HILL_SOURCE)
    band = fuse_band(wiring.fuse_a, wiring.fuse_curve)
    least, most = band.carried_a(pull.seconds), band.opened_a(pull.seconds)
    carries, opens = band.carried_s(amperes), band.opened_s(amperes)
    words = f"({wiring.fuse_a:g} A) carries it {_at_least(carries)}"
    if math.isfinite(opens):
        words += f" from cold and opens within {_span(opens)}"
    asked = "" if wiring.fuse_curve else " State [wiring] fuse_curve from the fuse's sheet to be sure."
    gone = "drive and electric brake are gone"
    beyond = f"It blows: {gone}." if amperes > most else f"It may blow: {gone}.{asked}"
    return Carried("fuse", least, max(least, most), words, beyond, band.source)


def _conductor(machine: Machine, pull: Pull) -> Carried | Finding:
    wiring = machine.wiring
    conductor = stated_conductor(wiring)
    try:
        carries = carries_of(wiring)
    except BeyondTable as beyond_table:
        return judged("unknown", f"unknown: {beyond_table}", _HEAT_SOURCE, unit="A")
    if conductor is None or carries is None:
        return unknown(("wiring", "conductor_mm2"), unit="A", source=_HEAT_SOURCE, note=size_note("wiring"))
    window = conductor_window_s(conductor_area_mm2(wiring, conductor))
    least_a, best_a = carries.least.amperes, max(carries.least.amperes, carries.most.amperes)
    least, most = (carried_current(rating, window, pull.seconds, pull.before_a) for rating in (least_a, best_a))
    words = f"{carries.least.where} {_heat_words(least_a, window, pull)}"
    beyond = "It runs hotter than its insulation rating: fit a thicker one."
    if carries.undecided == ("installation",) and pull.current.amperes <= most:
        words += f", {carries.most.where} {_heat_words(best_a, window, pull)}"
        beyond = "State [wiring] installation to know which applies."
    lacking: Lack = tuple(("wiring", key) for key in carries.undecided) if "insulation_c" in carries.undecided else ()
    origin = f"{_HEAT_SOURCE}; {conductor_origin(carries, 'wiring')}"
    return Carried(f"{conductor.label} conductor", least, most, words, beyond, origin, lacking)


def _connector(machine: Machine, pull: Pull) -> Carried | Finding:
    rated = machine.wiring.connector_a
    if rated is None:
        return unknown(("wiring", "connector_a"), unit="A", source=_HEAT_SOURCE)
    limit = carried_current(rated, CONNECTOR_WINDOW_S, pull.seconds, pull.before_a)
    words = f"({rated:g} A) {_heat_words(rated, CONNECTOR_WINDOW_S, pull)}"
    beyond = "It overheats: fit a larger one."
    return Carried("connector", limit, limit, words, beyond, f"{_HEAT_SOURCE}; [wiring] connector_a")


def _heat_words(rating_a: float, window_s: float, pull: Pull) -> str:
    if rating_a <= 0.0:
        return "carries nothing in air that hot"
    if pull.before_a > rating_a:
        return f"is already overloaded by {pull.before_a:g} A continuous"
    lasts = carried_time(rating_a, window_s, pull.current.amperes, pull.before_a)
    after = f" after {pull.before_a:g} A continuous" if pull.before_a and math.isfinite(lasts) else ""
    return f"carries it {_at_least(lasts)}{after}"


def _time_words(seconds: float) -> str:
    return f" for {_span(seconds)}" if math.isfinite(seconds) else " (duration not stated)"


def _at_least(seconds: float) -> str:
    return f"for at least {_span(seconds)}" if math.isfinite(seconds) else "continuously"


def _span(seconds: float) -> str:
    """Return a time in the unit that a person would use: ``0.25 s``, ``45 s``, ``12 min``."""
    value, unit = (seconds, "s") if seconds < _IN_SECONDS else (seconds / 60, "min")
    if seconds >= _IN_MINUTES:
        value, unit = seconds / 3600, "h"
    return f"{float(f'{value:.2g}') if value < _IN_SECONDS else round(value):g} {unit}"
