"""The same checks with what a drive measured in place of what the file states, and the worse of both verdicts.

A drive shows what the machine drew, not the most that it can draw. So every mixture of stated and measured figures is
judged, and the hardest counts: a measured figure never softens a stop, and never a caution on figures that the owner
stated. It settles what the file leaves open only where the drive loaded the machine.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import product
from typing import Any

from telemetry.machine.fit.findings import RANK, Finding, amount, worst
from telemetry.machine.sections import Machine, find_key
from telemetry.model.words import capital

_FIELDS = {"machine": "vehicle"}


@dataclass(frozen=True, slots=True)
class Measured:
    """One figure of a drive that takes the place of one key.

    Attributes:
        section, name: the key.
        label: for people, such as ``steady current, fuse``.
        value: in the key's unit.
        words: the figure and what it is: ``62.4 A (thermal average over 35 s) at 0:18:14``.
        checks: names of the checks that it is for.
        seconds: name and value of the key of the same section that says for how long; None where none does.
        settles: whether a drive that loaded the machine settles what the file leaves open of this figure. Figures for
            the same key and check are alternatives: the hardest counts.
    """

    section: str
    name: str
    label: str
    value: float
    words: str
    checks: tuple[str, ...]
    seconds: tuple[str, float] | None = None
    settles: bool = True

    @property
    def values(self) -> dict[str, float]:
        """The values by key."""
        return {self.name: self.value} | (dict([self.seconds]) if self.seconds else {})

    def stated(self, machine: Machine) -> float | None:
        """Return what the file states; None where it does not."""
        value: float | None = getattr(getattr(machine, _FIELDS.get(self.section, self.section)), self.name)
        return value

    def beside(self, machine: Machine) -> str:
        """Return the figure beside the stated one: ``62.4 A (...) at 0:18:14, stated 45 A``."""
        stated, unit = self.stated(machine), find_key(self.section, self.name).unit
        return f"{self.words}, {'not stated' if stated is None else f'stated {amount(stated, unit)}'}"


@dataclass(frozen=True, slots=True)
class Drive:
    """What a drive says of a machine.

    Attributes:
        measured: figures in place of keys.
        seen: findings on what the drive itself reached, by the check that they belong to; each holds by itself.
        answers: findings that answer their check where the file leaves it open; they count like ``seen`` elsewhere.
        lacking: why the drive is too little to settle what the file leaves open, a clause; empty where it is enough.
        loaded: how hard it loaded the machine, a sentence.
    """

    measured: tuple[Measured, ...]
    seen: tuple[Finding, ...] = ()
    lacking: str = ""
    answers: tuple[Finding, ...] = ()
    loaded: str = ""


def with_measured(machine: Machine, measured: Sequence[Measured]) -> Machine:
    """Return ``machine`` with the measured figures in place of the stated ones."""
    changes: dict[str, dict[str, Any]] = {}
    for each in measured:
        changes.setdefault(_FIELDS.get(each.section, each.section), {}).update(each.values)
    sections = {name: replace(getattr(machine, name), **values) for name, values in changes.items()}
    return replace(machine, **sections)


def fit_drive(
    machine: Machine, drive: Drive, checks: Mapping[str, Callable[[Machine], Finding | None]]
) -> tuple[Finding, ...]:
    """Return what every check that applies finds with a drive beside the file, in the order of ``checks``."""
    found = (_one(machine, drive, name, check) for name, check in checks.items())
    return tuple(each for each in found if each is not None)


def _one(machine: Machine, drive: Drive, name: str, check: Callable[[Machine], Finding | None]) -> Finding | None:
    applies = check(machine)
    if applies is None:
        return None
    stated = replace(applies, check=name)

    def found_with(measured: Sequence[Measured]) -> Finding:
        return replace(check(with_measured(machine, measured)) or stated, check=name)

    figures = _by_key([each for each in drive.measured if name in each.checks])
    choices = []
    for of_key in figures:
        settled = not drive.lacking and all(each.settles and each.stated(machine) is None for each in of_key)
        choices.append([*((each,) for each in of_key), *([] if settled else [()])])
    found, used = stated, tuple[Measured, ...]()
    for number, case in enumerate(product(*choices)):
        measured = tuple(each for chosen in case for each in chosen)
        by_case = found_with(measured)
        if not number or _harder(found, by_case) is by_case:
            found, used = by_case, measured
    if stated.verdict == "stop":
        found = _harder(stated, found)
    sentences = _sentences(machine, drive, figures, used, found_with)
    answer = next((each for each in drive.answers if each.check == name), None)
    if answer is not None and found.verdict == "unknown" and not drive.lacking:
        found, answer = answer, None
    seen = [each for each in drive.seen if each.check == name]
    return _with_seen(found, sentences, [*seen, *([answer] if answer is not None else [])])


def _sentences(
    machine: Machine,
    drive: Drive,
    figures: Sequence[Sequence[Measured]],
    used: Sequence[Measured],
    found_with: Callable[[Sequence[Measured]], Finding],
) -> list[str]:
    """Return a sentence for each key whose measured figure changes the finding: of alternatives the hardest."""
    sentences, unsettled = list[str](), False
    for of_key in figures:
        others = [each for each in used if each not in of_key]
        without, chosen = found_with(others), [each for each in used if each in of_key]
        hardest, figure = without, (chosen or of_key)[0]
        for each in chosen or of_key:
            by_figure = found_with([*others, each])
            if _harder(hardest, by_figure) is by_figure:
                hardest, figure = by_figure, each
        # A figure is shown where the verdict or its words change with it.
        if found_with([*others, figure]) != without:
            sentences.append(f"Measured {figure.label}: {figure.beside(machine)}.")
            unsettled |= not chosen and figure.stated(machine) is None
    if unsettled and drive.lacking:
        sentences.append(f"That does not settle it: {drive.lacking}.")
    return sentences


def _with_seen(found: Finding, sentences: list[str], seen: Sequence[Finding]) -> Finding:
    """Return the worst of a finding and of what the drive itself reached, telling the others."""
    hardest = worst([found, *seen])
    others = [each for each in (found, *seen) if each is not hardest]
    reasons = [f"{capital(each.why)}" for each in others]
    return _with_sentences(hardest, [*reasons, *sentences] if hardest is not found else [*sentences, *reasons])


def _by_key(measured: Sequence[Measured]) -> list[list[Measured]]:
    """Return the figures of each key together; those of one key are alternatives."""
    by_key: dict[tuple[str, str], list[Measured]] = {}
    for each in measured:
        by_key.setdefault((each.section, each.name), []).append(each)
    return list(by_key.values())


def _harder(stated: Finding, measured: Finding) -> Finding:
    """Return the worse verdict; of two alike the one with less headroom."""
    if RANK[stated.verdict] != RANK[measured.verdict]:
        return worst([stated, measured])
    if None in (stated.value, stated.limit, measured.value, measured.limit):
        return stated
    return max(stated, measured, key=_use)


def _use(finding: Finding) -> float:
    """Return minus the headroom of an ``ok``, else how far beyond the limit, as a share of it."""
    assert finding.value is not None
    assert finding.limit is not None
    away = abs(finding.value - finding.limit) / (abs(finding.limit) or 1.0)
    return -away if finding.verdict == "ok" else away


def _with_sentences(finding: Finding, sentences: Sequence[str]) -> Finding:
    """Return the finding with sentences behind its reason; an ``unknown`` shows them with its note."""
    if not sentences:
        return finding
    more = " ".join(sentences)
    why = f"{finding.why}{'' if finding.why.endswith(('.', '!', '?')) else '.'} {more}"
    note = f"{finding.note} {more}".strip() if finding.lacking else finding.note
    return replace(finding, why=why, note=note)
