"""What a fit check finds, and how several findings make one verdict."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from typing import Literal

from telemetry.machine.sections import missing

_LARGER = {"W": "kW", "Wh": "kWh"}
_SMALLER = {"V": "mV", "s": "ms"}
_ROUNDING = 1e-6
"""Of ten times a bound, so that 28.8 is not taken for less than itself."""
Verdict = Literal["ok", "unknown", "caution", "stop"]
RANK: dict[Verdict, int] = {"ok": 0, "unknown": 1, "caution": 2, "stop": 3}
"""A stop outranks a caution, a caution an unknown, an unknown an ok: one known danger is not outweighed by what
nobody has looked up, and nothing is called ok as long as something is unknown."""


@dataclass(frozen=True, slots=True)
class Finding:
    """What one check found.

    Attributes:
        check: its name.
        verdict: ``stop``: do not power it like this. ``caution``: it can be used by somebody who knows this.
            ``unknown``: the file does not say enough. ``ok``: it fits.
        value: the figure judged, in ``unit``; None where unknown or where there is none.
        limit: what it is compared with, in ``unit``; None likewise.
        unit: of both; empty where there is no figure.
        why: one or two sentences for the owner.
        source: where the limit comes from; several are joined by semicolons.
        lacking: of an ``unknown``, section and name of the keys that the file lacks.
        note: of an ``unknown``, what can be said all the same; ``why`` holds it too.

    """

    check: str
    verdict: Verdict
    value: float | None
    limit: float | None
    unit: str
    why: str
    source: str
    lacking: tuple[tuple[str, str], ...] = ()
    note: str = ""


def judged(
    verdict: Verdict,
    why: str,
    source: str,
    *,
    value: float | None = None,
    limit: float | None = None,
    unit: str = "",
) -> Finding:
    """Return a finding whose check is named later; figures are rounded to a ten-thousandth."""
    value, limit = (None if figure is None else round(float(figure), 4) for figure in (value, limit))
    return Finding("", verdict, value, limit, unit, why, source)


def unknown(*keys: tuple[str, str], unit: str, source: str, note: str = "") -> Finding:
    """Return the finding for figures that the file lacks: which keys, where an owner finds them, and why they matter.

    Args:
        keys: section and name of each; alternatives are explained by the caller's ``note``.
        unit: of the unknown figure.
        source: where the limit would come from.
        note: what else can be said, a sentence.

    """
    first, *others = [missing(section, name) for section, name in keys]
    why = "; also ".join([first, *(other.removeprefix("unknown: ") for other in others)])
    return replace(judged("unknown", f"{why}. {note}" if note else why, source, unit=unit), lacking=keys, note=note)


def absent(stated: Mapping[tuple[str, str], object]) -> list[tuple[str, str]]:
    """Return the keys, section and name, of which the file states nothing: those whose value is None."""
    return [key for key, value in stated.items() if value is None]


def worst(findings: Iterable[Finding]) -> Finding:
    """Return the finding of the highest rank, the first of several; there must be one."""
    found = list(findings)
    return max(found, key=lambda finding: RANK[finding.verdict])


def overall(findings: Iterable[Finding]) -> Verdict:
    """Return the verdict over all findings: the highest rank among them."""
    return worst(findings).verdict


def at_most(value: float) -> str:
    """Return a bound for a sentence, to a tenth and never above it: 83.16 is ``83.1``."""
    return f"{math.floor(10 * value + _ROUNDING) / 10:.1f}"


def amount(value: float, unit: str, digits: int = 3) -> str:
    """Return ``value`` to ``digits`` significant digits with its unit: ``10.9 kW``, ``89 mV``, ``6710 A``.

    From 1000 on W and Wh turn into kW and kWh; below 0.1 V and s turn into mV and ms.
    """
    if unit in _LARGER and abs(value) >= 1000:
        value, unit = value / 1000, _LARGER[unit]
    elif unit in _SMALLER and 0 < abs(value) < 0.1:
        value, unit = 1000 * value, _SMALLER[unit]
    return f"{float(f'{value:.{digits}g}'):.12g} {unit}"
