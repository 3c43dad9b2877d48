"""The first line of a report: PARK, DRIVE GENTLY, DRIVE ON or NOT ENOUGH SEEN, why, and what to do next.

* PARK: a part is past its limit, an alarm of high priority tripped, the BMS disabled the discharge or the supply was
  lost.
* DRIVE GENTLY: a part is within its warning, an alarm of medium priority was raised (of low charge: still stands),
  or a cell stands out.
* DRIVE ON: every judged part holds, and the least set was judged (see :func:`lacking`).
* NOT ENOUGH SEEN: anything else, with what to record.

Nothing that is missing makes a verdict better: what was seen past its limit parks the machine whatever else is known.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal

from telemetry.alarms.acts import act_for, alarm_name
from telemetry.analysis.cell_findings import OddCell
from telemetry.analysis.parts_seen import PULL_S, loaded_s, peak_current
from telemetry.analysis.resistance import least_current
from telemetry.analysis.session_figures import SessionFigures
from telemetry.model.time_text import clock, length
from telemetry.model.words import capital
from telemetry.report.alarm_entries import AlarmEntry
from telemetry.report.part_currents import outflow
from telemetry.report.part_row import RATIO, PartRow, with_unit
from telemetry.report.verdict_acts import CAUSE_WORDS, act_after

_SAID = 2  # of what is missing


Word = Literal["PARK", "DRIVE GENTLY", "DRIVE ON", "NOT ENOUGH SEEN"]

_UNSETTLED = "Key off. Do not drive or charge it before you know which is wrong, pack or machine file."
DRIVEN_S = 600.0
"""Time under load that DRIVE ON needs: wire and pack reach most of their heat in ten minutes. Ours."""
LOAD_SHARE = 50.0
"""Share of the weakest continuous rating, %, that the hardest pull must have reached. Ours."""
LOADED = ("pack-steady-current", "wire-current", "fuse-current")
LEAST_SET = (
    *LOADED,
    "pack-low-voltage",
    "lowest-cell",
    "highest-cell",
    "pack-temperature",
)
"""Rows that DRIVE ON needs judged."""
BLOCKING = (
    *("sign-of-current", "capacity", "stuck", "frozen", "cell-count", "cells-against-pack"),
    *("voltage-against-chemistry", "empty", "voltage-only", "no-current", "no-voltage", "cells-without-pack-voltage"),
)
"""Findings of the evidence that make figures wrong."""
POWER_LOST = ("discharge-disabled", "supply-lost")
"""Alarms that come first in the report."""
_OF_THE_RECORDER = ("recording", "link", "program-error")
_LOW_END = "soc_lower_bound"
_WITH_DIRECTION = ("pack_current", "discharge_current_average", "charge_current_average", "cold_charge_current")
_CHARGE_ONLY_S = 30.0


@dataclass(frozen=True, slots=True)
class Verdict:
    """What the session comes to: the word, the reason and the next act, a sentence each, and why in a few words."""

    word: Word
    reason: str
    next: str
    why: str = ""


@dataclass(frozen=True)
class Facts:
    """What the verdict rests on.

    Attributes:
        rows: the table of parts, in its order.
        alarms: of the session, as in the report.
        odd: the cells that stand out.
        evidence: (name, sentence, remedy) of each finding.
        loaded_s: time under load, s.
        load_pct: the hardest pull of one second over the weakest continuous rating, %; None where not known.
        charge_only: the session is a charge without driving.
        has_machine: a machine file says what pack it is.
    """

    rows: Sequence[PartRow]
    alarms: Sequence[AlarmEntry] = ()
    odd: Sequence[OddCell] = ()
    evidence: Sequence[tuple[str, str, str]] = ()
    loaded_s: float = 0.0
    load_pct: float | None = None
    charge_only: bool = False
    has_machine: bool = True


@dataclass(frozen=True, slots=True)
class _Reason:
    """One reason, a sentence without its full stop, what to do, and the reason in a few words."""

    words: str
    act: str
    short: str


def facts_of(figures: SessionFigures, rows: Sequence[PartRow], alarms: Sequence[AlarmEntry]) -> Facts:
    """Return what the verdict of a session rests on."""
    flow, machine = outflow(figures), figures.machine
    if figures.sign_is_wrong:
        alarms = [alarm for alarm in alarms if alarm.signal not in _WITH_DIRECTION]
    driven, load = 0.0, None
    if flow is not None and machine is not None:
        driven = loaded_s(flow, least_current(machine.pack))
        pull = peak_current(flow, figures.series.origin, PULL_S)
        ratings = [row.limit for row in rows if row.key in LOADED and row.limit is not None]
        load = None if pull is None or not ratings else 100.0 * pull.value / min(ratings)
    cells = figures.cells
    return Facts(
        rows,
        alarms,
        () if cells is None or figures.sign_is_wrong else cells.odd,
        [(each.name, each.sentence, each.remedy) for each in figures.evidence],
        driven,
        load,
        bool(figures.phases.of("charge")) and driven < _CHARGE_ONLY_S,
        machine is not None,
    )


def judge(facts: Facts) -> Verdict:
    """Return the verdict."""
    if park := _park(facts):
        found = _verdict("PARK", park)
        settle = next((remedy for name, _, remedy in facts.evidence if name == "voltage-against-chemistry"), "")
        return replace(found, next=f"{_UNSETTLED} {settle}") if settle else found
    if gently := _gently(facts):
        return _verdict("DRIVE GENTLY", gently)
    missing = lacking(facts)
    if missing:
        return _not_enough(facts, missing)
    judged = [row for row in facts.rows if row.is_judged and row.counts]
    nearest = max(judged, key=lambda row: row.share_pct or 0.0)
    return Verdict(
        "DRIVE ON",
        f"{_count(facts)}, all within their limits; {nearest.part} came nearest ({_share(nearest)} of the way); "
        f"the hardest pull reached {facts.load_pct:.0f} % of the weakest rating.",
        "Drive on, and compare the next drive with this one after any change or in colder weather.",
    )


def _verdict(word: Word, reasons: Sequence[_Reason]) -> Verdict:
    more = f"; {len(reasons) - 1} more below" if len(reasons) > 1 else ""
    return Verdict(word, f"{reasons[0].words}{more}.", reasons[0].act, reasons[0].short)


def _park(facts: Facts) -> list[_Reason]:
    raised = [alarm for alarm in facts.alarms if alarm.was_active and alarm.priority == "high"]
    lost = [alarm for alarm in facts.alarms if alarm.was_active and alarm.limit in POWER_LOST]
    reasons = [_of_alarm(alarm) for alarm in lost]
    reasons += [_of_row(row) for row in facts.rows if row.level == "past" and row.counts]
    reasons += [_of_alarm(a) for a in raised if a.level == "trip" and a.limit not in POWER_LOST]
    return reasons


def _gently(facts: Facts) -> list[_Reason]:
    reasons = [_of_row(row) for row in facts.rows if row.level == "near" and row.counts]
    reasons += [
        _of_alarm(alarm)
        for alarm in facts.alarms
        if alarm.was_active
        and alarm.priority in ("high", "medium")
        and alarm.limit not in _OF_THE_RECORDER
        and not _is_charged_again(alarm)
    ]
    for cell in facts.odd:
        cause, act = CAUSE_WORDS[cell.cause], act_after(f"cell-{cell.cause}", parked=False)
        reasons.append(_Reason(f"Cell {cell.cell} stands out: {cause}", act, f"cell {cell.cell}: {cause}"))
    return reasons


def _is_charged_again(alarm: AlarmEntry) -> bool:
    """Whether the charge was low and is not any more: nothing of that is left to drive gently for."""
    return alarm.limit == "soc-low" and alarm.stands in ("normal", "returned unacknowledged")


def _of_row(row: PartRow) -> _Reason:
    assert row.headroom is not None
    assert row.limit is not None
    at = "" if row.at_s is None else f" at {clock(row.at_s)}"
    part = capital(row.part)
    limit, off = with_unit(row.limit, row.unit), with_unit(abs(row.headroom), row.unit, row.limit)
    by = "" if row.unit == RATIO else f"{off} "  # how much one ratio is past another says nothing
    if row.level == "past":
        words = f"{part}: {row.seen}{at}, {by}past its limit of {limit}"
    elif row.headroom < 0:
        words = f"{part}: likely {row.seen}{at}, {by}past its limit of {limit}"
    else:
        words = f"{part}: {row.seen}{at}, {f'only {by}from' if by else 'near'} its limit of {limit}"
    return _Reason(words, act_after(row.key, parked=row.level == "past"), _short(row))


def _short(row: PartRow) -> str:
    return f"{row.part.replace(', ', ' ')} {row.seen.partition(',')[0]}"


def _of_alarm(alarm: AlarmEntry) -> _Reason:
    name = alarm_name(alarm.limit)
    raised = next((change for change in alarm.changes if change.state == "raised"), None)
    value, bound, short = "", math.nan, name
    if raised is not None and raised.value is not None and raised.bound is not None:
        bound = raised.bound
        low_end = "perhaps " if alarm.signal == _LOW_END else ""
        value = f", {low_end}{with_unit(raised.value, alarm.unit)} against {with_unit(bound, alarm.unit)}"
        short = f"{name} {with_unit(raised.value, alarm.unit)}"
    act = act_for(alarm.limit, alarm.level, "resting", alarm.signal, bound=bound)
    return _Reason(f"{capital(name)} at {clock(alarm.from_s)}{value}", act.do, short)


def lacking(facts: Facts) -> list[tuple[str, str]]:
    """Return what of the least set is missing: (what, what to do), the most telling first; empty for none."""
    if not facts.has_machine:
        return [
            (
                "no machine file describes the pack",
                "Write a machine file (shakedown new-machine FILE) and name it with --machine FILE.",
            )
        ]
    found = [(_lowered(what), remedy) for name, what, remedy in facts.evidence if name in BLOCKING]
    by_key = {row.key: row for row in facts.rows}
    if facts.charge_only:
        found.append(("this was a charge, with no driving to judge", _DRIVE))
    for key in LEAST_SET[len(LOADED) :] if facts.charge_only else LEAST_SET:
        row = by_key.get(key)
        if row is None or not row.is_judged:
            name, why = (key.replace("-", " "), "record it") if row is None else (row.part, row.why)
            found.append((f"{name} was not judged", f"{capital(why)}."))
    if not facts.charge_only:
        found += too_little_load(facts.loaded_s, facts.load_pct)
    return found


def too_little_load(loaded_s: float, load_pct: float | None) -> list[tuple[str, str]]:
    """Return why a drive loaded the machine too little to judge it: (what, what to do); empty where it did enough."""
    found = []
    if loaded_s < DRIVEN_S:
        found.append((f"only {length(loaded_s)} under load", _DRIVE))
    if load_pct is not None and load_pct < LOAD_SHARE:
        what = f"the hardest pull reached only {load_pct:.0f} % of the weakest rating"
        found.append((what, "Record a drive with the hill, the load or the implement that is hardest for it."))
    return found


_DRIVE = f"Drive at least {DRIVEN_S / 60:.0f} min under the usual load and record it."


def _not_enough(facts: Facts, missing: Sequence[tuple[str, str]]) -> Verdict:
    what = "; ".join(each for each, _ in missing[:_SAID])
    more = f"; {len(missing) - _SAID} more missing" if len(missing) > _SAID else ""
    judged = "" if not facts.has_machine else f"{_count(facts)}, none near its limit, but "
    sentence = f"{judged}{what}{more}."
    return Verdict("NOT ENOUGH SEEN", capital(sentence), missing[0][1], missing[0][0])


def _count(facts: Facts) -> str:
    counted = [row for row in facts.rows if row.counts]
    return f"{sum(row.is_judged for row in counted)} of {len(counted)} parts judged"


def _share(row: PartRow) -> str:
    return f"{row.share_pct or 0.0:.0f} %"


def _lowered(sentence: str) -> str:
    text = sentence.rstrip(".")
    abbreviated = text[:2].isalpha() and text[:2].isupper()
    return text if abbreviated else text[0].lower() + text[1:]
