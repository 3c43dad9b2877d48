"""What is counted of a figure's rows: how often the interval held the truth, how wide it is, how far off the value.

A session counts as one however long it is: its share of checkpoints held is one number, and the mean over sessions is
what is reported. Its sampling error is the standard deviation over resamples of whole sessions (the bootstrap by
clusters: A. C. Davison and D. V. Hinkley, Bootstrap Methods and their Application, 1997, section 3.8, from memory).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from tests.calibration.figure import Row

_RESAMPLES = 1000
LEAST_SESSIONS = 8
"""Fewer say nothing of their kind."""


@dataclass(frozen=True, slots=True)
class Tally:
    """Of the rows of one kind, or of all.

    Attributes:
        sessions, rows: how many.
        held_pct: share of checkpoints whose interval held the truth, %; ``held_error_pct``: one standard deviation.
        half_width: mean half-width of the stated interval; ``error_rms``: of the value; ``worst``: largest error.
        bias: mean of value less truth.
    """

    sessions: int
    rows: int
    held_pct: float
    held_error_pct: float
    half_width: float
    error_rms: float
    bias: float
    worst: float


def tally(rows: Sequence[Row]) -> Tally:
    """Return the tally of ``rows``, one at least; every session counts alike."""
    of_session: dict[str, list[Row]] = {}
    for row in rows:
        of_session.setdefault(row.session, []).append(row)
    each = np.array([_session(found) for found in of_session.values()])
    held, width, squared, bias, worst = each.T
    random = np.random.default_rng(1)
    picks = random.integers(0, len(held), (_RESAMPLES, len(held)))
    # a share of 100 % in few sessions is no certainty: one session in doubt (the rule of succession)
    spread = max(float(held[picks].mean(axis=1).std()), 0.5 / (len(held) + 2))
    return Tally(
        len(held),
        len(rows),
        100.0 * float(held.mean()),
        100.0 * spread,
        float(width.mean()),
        float(np.sqrt(squared.mean())),
        float(bias.mean()),
        float(worst.max()),
    )


def _session(rows: list[Row]) -> tuple[float, ...]:
    value, low, high, truth = np.array([(row.value, row.low, row.high, row.truth) for row in rows]).T
    off = value - truth
    held = (low <= truth) & (truth <= high)
    return (
        float(held.mean()),
        float((high - low).mean() / 2.0),
        float((off**2).mean()),
        float(off.mean()),
        float(np.abs(off).max()),
    )


def by_kind(rows: Sequence[Row]) -> dict[str, Tally]:
    """Return tallies by name: of each chemistry at each temperature, of each other part of a kind's name, and of all.

    A kind's name is parts between commas. What fewer than ``LEAST_SESSIONS`` sessions state is in the last only.
    """
    parted: dict[str, list[Row]] = {}
    for row in rows:
        first, celsius, *others = row.kind.split(", ")
        for name in (f"{first}, {celsius}", *others):
            parted.setdefault(name, []).append(row)
    crossed = sorted(parted, key=lambda name: (", " not in name, name))
    found = {name: tally(parted[name]) for name in crossed}
    return {name: one for name, one in found.items() if one.sessions >= LEAST_SESSIONS} | {"all": tally(rows)}
