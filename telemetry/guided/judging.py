"""Each step judged by what a recording shows, and the verdict over all of them by one rule."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Final

from telemetry.guided import judged_driving, judged_standing
from telemetry.guided.attempts import Attempt
from telemetry.guided.checks import PRACTICE, Check, Word, at_most, unknown, worst
from telemetry.guided.evidence import Evidence
from telemetry.guided.steps import STEPS, Step

SLACK: Final = 1.6
"""Readings that come somewhat less often than asked for still do. Ours."""
LIKE_C: Final = 5.0
"""Resistances at temperatures further apart are not compared: they change by some per cent a degree. Ours."""
SIGMAS: Final = 2.0
RULE: Final = (
    "The verdict is that of the worst step; a step that is not judged is never a pass. Trusted for the season only"
    " where every step but usual work and recovery is judged and none failed."
)

_CHECKS: Final[Mapping[str, Callable[[Evidence], Iterator[Check]]]] = {
    "zero": judged_standing.zero,
    "wheels-up": judged_standing.wheels_up,
    "pulls": judged_driving.pulls,
    "launches": judged_driving.launches,
    "climb": judged_driving.climb,
    "coast-down": judged_driving.coast_down,
    "braking": judged_driving.braking,
    "implement": judged_driving.implement,
    "work": judged_driving.work,
    "recovery": judged_standing.recovery,
    "run-to-low": judged_standing.run_to_low,
    "charge": judged_standing.charge,
}
_BY_FIGURE: Final = frozenset({"run-to-low", "charge"})
"""Steps whose evidence is the figure itself: an estimator says whether the recording shows it."""


@dataclass(frozen=True)
class StepResult:
    """One step judged.

    Attributes:
        step: it.
        word: what it came to.
        checks: figures against their bounds.
        attempts: accepted and refused.
        why: of a step that is not judged or does not apply, why.
        session: what the recording is called.
    """

    step: Step
    word: Word
    checks: tuple[Check, ...] = ()
    attempts: tuple[Attempt, ...] = ()
    why: str = ""
    session: str = ""

    @property
    def judged(self) -> bool:
        """Whether it is settled: judged, or does not apply."""
        return self.word != "not judged"

    @property
    def would(self) -> str:
        """What would make an unjudged step a judged one; empty for others."""
        return "" if self.judged else self.step.do


@dataclass(frozen=True, slots=True)
class Verdict:
    """The verdict over all steps: ``word`` for a badge, and the reason in a sentence."""

    word: str
    level: Word
    reason: str


def judge(on: Evidence, session: str = "") -> tuple[StepResult, ...]:
    """Return each step as this recording shows it."""
    return tuple(replace(_step(step, on), session=session) for step in STEPS)


def _step(step: Step, on: Evidence) -> StepResult:
    if why := _does_not_apply(step, on):
        return StepResult(step, "does not apply", why=why)
    checks: tuple[Check, ...]
    if step.name == "close":
        checks = (judged_standing.insulation(on), unknown(*_CHANGE, "judge two drives together", decides=True))
        return _with_word(step, checks, (), "")
    attempts = tuple(each for each in on.attempts if each.step == step.name)
    missing = _missing(step, on)
    if missing:
        return StepResult(step, "not judged", attempts=attempts, why=missing)
    accepted = [each for each in attempts if each.accepted]
    lacking = "" if step.name in _BY_FIGURE else _lacking(step, attempts)
    checks = tuple(_CHECKS[step.name](on)) if accepted or step.name in _BY_FIGURE else ()
    return _with_word(step, checks, attempts, lacking)


_CHANGE = ("change of the 1 s resistance since the first drive", "mΩ")


def _with_word(step: Step, checks: tuple[Check, ...], attempts: tuple[Attempt, ...], lacking: str) -> StepResult:
    word = worst(check.word for check in checks if check.counts)
    if lacking and word != "fail":
        return StepResult(step, "not judged", checks, attempts, lacking)
    return StepResult(step, word, checks, attempts, lacking)


def _does_not_apply(step: Step, on: Evidence) -> str:
    vehicle = on.machine.vehicle
    if step.name == "braking" and vehicle.regenerates is False:
        return "the machine does not brake into the pack ([machine] regenerates = false)"
    if step.name == "implement":
        stated = (vehicle.implement_start_a, vehicle.working_width_m, vehicle.blade_length_m)
        seen = on.figures.series.get("implement_engaged")
        engaged = seen is not None and bool((seen.values > 0.5).any())  # noqa: PLR2004 - a switch, on
        if not any(stated) and not engaged and not any(each.step == "implement" for each in on.attempts):
            return "the machine file states no implement, and none was switched on"
    return ""


def _missing(step: Step, on: Evidence) -> str:
    """Return why the recording cannot carry the step: a signal that is not there, or too few readings."""
    series = on.figures.series
    absent = [name for name in step.signals if series.get(name) is None]
    if absent:
        return f"not recorded: {', '.join(absent)}"
    current = series.get("pack_current")
    interval = math.nan if current is None else current.interval_s
    if interval > SLACK * step.interval_s:
        return f"the current was recorded every {interval:.2g} s; this step needs every {step.interval_s:g} s"
    return ""


def _lacking(step: Step, attempts: Sequence[Attempt]) -> str:
    """Return which good attempts are missing, with why the others do not count; empty where there are enough."""
    short = []
    for part, wanted in step.wanted.items():
        have = sum(each.accepted and each.part == part for each in attempts)
        if have < wanted:
            short.append(f"{have} of {wanted}{f' {part}' if part else ''}")
    if not short:
        return ""
    if not attempts:
        return "not found in the recording"
    refused = [each.refused for each in attempts if not each.accepted]
    return f"{', '.join(short)}{f'; the last refused: {refused[-1]}' if refused else ''}"


def merged(sessions: Sequence[Sequence[StepResult]], resistances: Sequence[Evidence]) -> tuple[StepResult, ...]:
    """Return each step by the latest session that judged it; the others are :func:`earlier`.

    Args:
        sessions: the results of each session, in order of time.
        resistances: what they were judged by, to compare the first resistance with the last.
    """
    found = []
    for results in zip(*sessions, strict=True):
        judged = [each for each in results if each.judged]
        found.append(judged[-1] if judged else max(results, key=lambda each: len(each.attempts)))
    found[-1] = _closed(found[-1], resistances)
    return tuple(found)


def earlier(sessions: Sequence[Sequence[StepResult]], final: Iterable[StepResult]) -> list[StepResult]:
    """Return the judged results that a later session repeated."""
    kept = set(map(id, final))
    return [
        each
        for results in sessions
        for each in results
        if each.word in ("pass", "remark", "fail") and id(each) not in kept and each.step.name != "close"
    ]


def _closed(close: StepResult, on: Sequence[Evidence]) -> StepResult:
    """Return the last step with the change of the resistance, where two sessions measured it at like temperature."""
    if close.step.name != "close":
        return close
    known = [found for each in on if (found := each.figures.resistance) is not None and found.pack_mohm is not None]
    if len(known) <= 1:
        return close
    first, last = known[0], known[-1]
    apart = abs((first.temperature_c or 0.0) - (last.temperature_c or 0.0))
    if apart > LIKE_C:
        change = unknown(
            *_CHANGE, f"the drives were {apart:.0f} °C apart: repeat it at like temperature", decides=True
        )
    else:
        assert first.pack_mohm is not None
        assert last.pack_mohm is not None
        sigma = math.hypot(first.pack_scatter_mohm or 0.0, last.pack_scatter_mohm or 0.0)
        value = abs(last.pack_mohm - first.pack_mohm)
        change = at_most(*_CHANGE, value, SIGMAS * sigma, f"2 standard deviations; {PRACTICE}")
    checks = (close.checks[0], change)
    return replace(_with_word(close.step, checks, (), ""), session=close.session)


def verdict(results: Sequence[StepResult], fit_stops: bool = False) -> Verdict:
    """Return the verdict, by :data:`RULE`.

    Args:
        results: of every step.
        fit_stops: whether ``fit`` says stop.
    """
    failed = [each.step.title for each in results if each.word == "fail"]
    if failed or fit_stops:
        reasons = [*(["fit says stop"] if fit_stops else []), *failed]
        return Verdict("FAIL", "fail", f"Failed: {', '.join(reasons)}.")
    open_ = [each for each in results if not each.judged]
    for_season = [each.step.title for each in open_ if each.step.for_season]
    if for_season:
        done = sum(each.word in ("pass", "remark") for each in results)
        return Verdict(
            "INCOMPLETE",
            "not judged",
            f"{done} step{'s' * (done != 1)} judged, none failed; open: {', '.join(for_season)}.",
        )
    remarks = [each.step.title for each in results if each.word == "remark"]
    also = f" Not judged, not needed: {', '.join(each.step.title for each in open_)}." if open_ else ""
    if remarks:
        return Verdict("REMARKS", "remark", f"Trusted for the season, with remarks: {', '.join(remarks)}.{also}")
    return Verdict("PASS", "pass", f"Trusted for the season: every step that it needs passed.{also}")
