"""Several drives of one machine as one result: attempts add up until something was changed."""

from __future__ import annotations

import math
import re
from collections.abc import Iterator, Sequence
from dataclasses import replace
from typing import Final

from telemetry.guided.checks import PRACTICE, Check, at_most, unknown
from telemetry.guided.coast_down import rolling_resistance
from telemetry.guided.evidence import Evidence
from telemetry.guided.judging import CHANGE, StepResult, judge_step, with_word
from telemetry.guided.steps import Step, again_mark

LIKE_C: Final = 5.0
"""Resistances at temperatures further apart are not compared: they change by some per cent a degree. Ours."""
SIGMAS: Final = 2.0
MORE_DRAG: Final = 1.2
"""Rolling resistance over that of an earlier drive on the same ground; common practice, from memory."""
_CHANGED: Final = re.compile(r"\b(new|changed?|replaced|repaired|swapped|tightened)\b", re.IGNORECASE)
"""Words of a mark that say that the machine is no longer what it was."""


def merged(
    sessions: Sequence[Sequence[StepResult]], drives: Sequence[Evidence]
) -> tuple[tuple[StepResult, ...], tuple[StepResult, ...]]:
    """Return each step by the latest session that judged it, and the judged results that it repeated.

    What no session shows alone, sessions without a change between may show together.

    Args:
        sessions: the results of each session, in order of time.
        drives: what each was judged by; all of one machine.
    """
    final, repeated = list[StepResult](), list[StepResult]()
    for results in zip(*sessions, strict=True):
        runs = [_together(results[0].step, results, drives, run) for run in _unchanged(results[0].step, drives)]
        judged = [each for each in runs if each.judged]
        shown = judged[-1] if judged else max(runs, key=lambda each: len(each.attempts))
        final.append(_compared(shown, drives))
        every = {id(each): each for each in (*results, *judged) if each.word in ("pass", "remark", "fail")}
        repeated += [each for each in every.values() if each is not shown and each.step.name != "close"]
    return tuple(final), tuple(repeated)


def _unchanged(step: Step, drives: Sequence[Evidence]) -> Iterator[list[int]]:
    """Yield runs of drives between which nothing was changed, by their places.

    A change is another machine file, a mark with a word for it, or the step led once more. A drive without
    a date, or with one before the last had ended, as after a change of the clock, is a run of its own.
    """
    run: list[int] = []
    for place, on in enumerate(drives):
        before = drives[run[-1]] if run else None
        dated = on.figures.series.time_basis == "absolute"
        other = before is not None and before.machine_text != on.machine_text
        overlaps = before is not None and on.figures.series.start <= before.figures.series.end
        if run and (not dated or other or overlaps or _changed_at(step, on) is not None):
            yield run
            run = []
        run.append(place)
    yield run


def _changed_at(step: Step, on: Evidence) -> int | None:
    """Return when the last change was marked in a drive, int microseconds; None for none."""
    again = again_mark(step)
    marks = on.figures.series.marks
    return max((mark.t for mark in marks if mark.text == again or _CHANGED.search(mark.text)), default=None)


def _together(step: Step, results: Sequence[StepResult], drives: Sequence[Evidence], run: list[int]) -> StepResult:
    """Return a step as a run of drives shows it: by the latest that judged it alone, else by all together."""
    own = [results[place] for place in run]
    judged = [each for each in own if each.judged]
    tried = [place for place in run if results[place].attempts]
    if judged or len(tried) <= 1 or sum(step.wanted.values()) <= 1:
        return judged[-1] if judged else max(own, key=lambda each: len(each.attempts))
    since = _changed_at(step, drives[run[0]]) or 0
    whole = [
        replace(drives[place], found=[each for each in drives[place].found if each.start >= since]) for place in tried
    ]
    return judge_step(step, whole, " + ".join(results[place].session for place in tried))


def _compared(result: StepResult, drives: Sequence[Evidence]) -> StepResult:
    """Return a step with what only several drives together tell."""
    if result.step.name == "close":
        change = _change_of_resistance(drives)
        return with_word(result.step, (result.checks[0], change), (), "", result.session) if change else result
    if result.step.name == "coast-down" and result.word in ("pass", "remark"):
        more = _more_drag(result, drives)
        checks = (*result.checks, *([] if more is None else [more]))
        return with_word(result.step, checks, result.attempts, result.why, result.session)
    return result


def _change_of_resistance(drives: Sequence[Evidence]) -> Check | None:
    """Return the change of the resistance where two drives measured it; None where they did not."""
    known = [found for on in drives if (found := on.figures.resistance) is not None and found.pack_mohm is not None]
    if len(known) <= 1:
        return None
    first, last = known[0], known[-1]
    apart = abs((first.temperature_c or 0.0) - (last.temperature_c or 0.0))
    if apart > LIKE_C:
        why = f"the drives were {apart:.0f} °C apart: repeat it at like temperature"
        return unknown(*CHANGE, why, decides=True)
    assert first.pack_mohm is not None
    assert last.pack_mohm is not None
    sigma = math.hypot(first.pack_scatter_mohm or 0.0, last.pack_scatter_mohm or 0.0)
    value = abs(last.pack_mohm - first.pack_mohm)
    return at_most(*CHANGE, value, SIGMAS * sigma, f"2 standard deviations; {PRACTICE}")


def _more_drag(result: StepResult, drives: Sequence[Evidence]) -> Check | None:
    """Return the rolling resistance over that of the first drive that measured it; None where this is the first."""
    now = rolling_resistance([each for each in result.attempts if each.accepted])
    begun = min((each.start for each in result.attempts), default=0)
    before = (rolling_resistance(on.of("coast-down")) for on in drives if on.figures.series.end < begun)
    first = next((each for each in before if each.value is not None), None)
    if first is None or first.value is None or now.value is None:
        return None
    ratio = now.value / first.value
    sigma = ratio * math.hypot(first.scatter / first.value, now.scatter / now.value)
    origin = f"20 % more, on the same ground, is a brake or a bearing; {PRACTICE}"
    return at_most("rolling resistance against the first drive", "times", ratio, MORE_DRAG, origin, sigma=sigma)
