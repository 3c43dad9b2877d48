"""One figure against its bound, with its error, and the words in which a step is judged."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import Final, Literal

from telemetry.analysis.ranges import Z90

Word = Literal["pass", "remark", "fail", "not judged", "does not apply"]
WORDS: Final[tuple[Word, ...]] = ("does not apply", "pass", "remark", "not judged", "fail")
"""From best to worst: what is not judged is never a pass, and a fail is a fail whatever else is unknown."""
PRACTICE: Final = "common practice, from memory"


@dataclass(frozen=True, slots=True)
class Check:
    """A figure of a step.

    Attributes:
        label: what it is.
        unit: of the figures.
        value: None where it is not known, or is told in words.
        sigma: one standard deviation; None where it is not known.
        bound: in words; empty where the figure is for information.
        origin: where the bound is from.
        word: ``pass``, ``remark``, ``fail`` or ``not judged``.
        why: of what is not known, why, and what would show it; else what there is to add.
        decides: whether the step cannot be judged without it.
        counts: whether its word counts; a figure for information has none.
        said: in words, what has no number.
    """

    label: str
    unit: str
    value: float | None
    sigma: float | None = None
    bound: str = ""
    origin: str = ""
    word: Word = "pass"
    why: str = ""
    decides: bool = False
    counts: bool = True
    said: str = ""


def told(label: str, unit: str, value: float | None, sigma: float | None = None, why: str = "") -> Check:
    """Return a figure for information, without a bound."""
    return Check(label, unit, value, sigma, why=why, counts=False)


def unknown(label: str, unit: str, why: str, *, decides: bool = False) -> Check:
    """Return a figure that is not known, with the reason and what would show it."""
    return Check(label, unit, None, word="not judged", why=why, decides=decides, counts=decides)


def at_most(
    label: str,
    unit: str,
    value: float,
    limit: float,
    origin: str,
    *,
    fails: float = math.inf,
    sigma: float | None = None,
    why: str = "",
) -> Check:
    """Return a figure that passes up to ``limit``; from there to ``fails`` it is a remark.

    With an error the whole 90 % interval has to be within the limit for a pass, and beyond ``fails`` for a fail.
    """
    half = 0.0 if sigma is None else Z90 * sigma
    word: Word = "pass" if value + half <= limit else "fail" if value - half > fails else "remark"
    return Check(label, unit, value, sigma, _bound("at most", limit, "above", fails, unit), origin, word, why)


def at_least(
    label: str,
    unit: str,
    value: float,
    limit: float,
    origin: str,
    *,
    fails: float = -math.inf,
    sigma: float | None = None,
    why: str = "",
) -> Check:
    """Return a figure that passes from ``limit`` on; below that, down to ``fails``, it is a remark."""
    half = 0.0 if sigma is None else Z90 * sigma
    word: Word = "pass" if value - half >= limit else "fail" if value + half < fails else "remark"
    return Check(label, unit, value, sigma, _bound("at least", limit, "below", fails, unit), origin, word, why)


def against(
    side: Callable[..., Check],
    label: str,
    unit: str,
    value: float,
    key: str,
    stated: float | None,
    share: float,
    words: str = "",
    *,
    sigma: float | None = None,
    fails: bool = True,
) -> Check:
    """Return a figure by ``side`` against ``share`` of what the machine file states under ``key``, as ``words`` tell.

    Beyond the stated value itself it fails, unless ``fails`` says no. Without one the figure is for information.
    """
    if stated is None:
        return told(label, unit, value, sigma, f"state {key} to compare")
    beyond = {"fails": stated} if fails else {}
    origin = f"{words} {key}, {stated:g} {unit}".strip()
    return side(label, unit, value, share * stated, origin, sigma=sigma, **beyond)


def must_not(label: str, happened: bool, origin: str, why: str) -> Check:
    """Return what fails where it happened, ``why`` being the words for it."""
    if happened:
        return Check(label, "", None, bound="must not happen", origin=origin, word="fail", why=why, said="yes")
    return Check(label, "", None, bound="must not happen", origin=origin, said="no")


def worst(words: Iterable[Word]) -> Word:
    """Return the worst of some words; ``pass`` for none."""
    return max(words, key=WORDS.index, default="pass")


def _bound(side: str, limit: float, beyond: str, fails: float, unit: str) -> str:
    behind = f" {unit}" if unit else ""
    also = f"; {beyond} {fails:.3g}{behind} fails" if math.isfinite(fails) else ""
    return f"{side} {limit:.3g}{behind}{also}"
