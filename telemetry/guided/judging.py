"""Each step judged by what a recording shows, and the verdict over all of them by one rule."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Final

from telemetry.guided import judged_driving, judged_pulling, judged_standing
from telemetry.guided.attempts import Attempt
from telemetry.guided.checks import WORDS, Check, Word, unknown, worst
from telemetry.guided.evidence import Evidence
from telemetry.guided.steps import STEPS, Step

SLACK: Final = 1.6
"""Readings that come somewhat less often than asked for still do. Ours."""
RULE: Final = (
    "The verdict is that of the worst step; a step that is not judged is never a pass. Trusted for the season only"
    " where every step but usual work and recovery is judged and none failed."
)

_CHECKS: Final[Mapping[str, Callable[[Evidence], Iterator[Check]]]] = {
    "zero": judged_standing.zero,
    "wheels-up": judged_standing.wheels_up,
    "pulls": judged_pulling.pulls,
    "launches": judged_pulling.launches,
    "climb": judged_pulling.climb,
    "coast-down": judged_driving.coast_down,
    "braking": judged_driving.braking,
    "implement": judged_driving.implement,
    "work": judged_driving.work,
    "recovery": judged_standing.recovery,
    "run-to-low": judged_standing.run_to_low,
    "charge": judged_standing.charge,
}
_BY_FIGURE: Final = "run-to-low"
"""A step whose evidence is the figure itself: an estimator says whether the recording shows it."""


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
    return tuple(judge_step(step, [on], session) for step in STEPS)


def judge_step(step: Step, drives: Sequence[Evidence], session: str = "") -> StepResult:
    """Return a step as some drives show it together: attempts add up, and of each figure the worst word counts."""
    for on in drives:
        if why := _does_not_apply(step, on):
            return StepResult(step, "does not apply", why=why, session=session)
    if step.name == "close":
        checks = [judged_standing.insulation(drives[-1]), unknown(*CHANGE, "judge two drives together", decides=True)]
        return with_word(step, checks, (), "", session)
    missing = [_missing(step, on) for on in drives]
    fit = [on for on, why in zip(drives, missing, strict=True) if not why] or list(drives)
    found = {(each.start, each.end, each.part): each for on in fit for each in on.found if each.step == step.name}
    pooled = [
        replace(on, found=[*(each for each in on.found if each.step != step.name), *found.values()]) for on in fit
    ]
    attempts = [each for each in pooled[0].attempts if each.step == step.name]
    if all(missing):
        return StepResult(step, "not judged", attempts=tuple(attempts), why=missing[-1], session=session)
    lacking = "" if step.name == _BY_FIGURE else _lacking(step, attempts)
    # What ends a charge is a figure too: one cell that stops it looks like a plug that was pulled.
    judges = step.name == _BY_FIGURE or any(each.accepted or step.name == "charge" for each in attempts)
    checks = _worst_of(_CHECKS[step.name](on) for on in pooled) if judges else []
    return with_word(step, checks, attempts, lacking, session)


CHANGE: Final = ("change of the 1 s resistance since the first drive", "mΩ")


def _worst_of(drives: Iterable[Iterable[Check]]) -> list[Check]:
    """Return each figure of some drives once: known before not known, the worst word of the known, the latest."""
    found: dict[str, Check] = {}
    for checks in drives:
        for check in checks:
            had = found.get(check.label)
            if had is None or _rank(check) >= _rank(had):
                found[check.label] = check
    return list(found.values())


def _rank(check: Check) -> tuple[bool, int]:
    return check.word != "not judged", WORDS.index(check.word)


def with_word(
    step: Step, checks: Iterable[Check], attempts: Sequence[Attempt], lacking: str, session: str
) -> StepResult:
    """Return a step judged by its figures; ``lacking`` says which attempts it lacks."""
    shown = tuple(checks)
    word = worst(check.word for check in shown if check.counts)
    word = "not judged" if lacking and word != "fail" else word
    return StepResult(step, word, shown, tuple(attempts), lacking, session)


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
