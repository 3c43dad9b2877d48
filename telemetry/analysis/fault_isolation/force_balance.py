"""The force against the motion over the weight, by the electrical power: a machine's own power is its scale.

A motor that pushes with the force per mass ``a`` at the speed ``v`` takes ``P = M v a + K a²``: what it does, over
its efficiency, and the heat in its windings. ``M`` (the mass over the efficiency) and ``K`` are not known. Each pair
makes the drive's power into a force, and what the measured acceleration lacks of it is rolling resistance, slope and
drag:

    resistance(t) = (a(P, v) - dv/dt) / g

The right pair leaves a resistance that does not jump whenever the machine pulls away; so every pair of a grid is
weighed by how well a line that bends slowly describes what is left, and the answer is the weighed mean over the grid
(Bayes's rule with broad priors). Neither mass nor efficiency has to be known: a pair that takes the mass for double
halves the force of the pull-aways too, and they are measured by the speed.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import log

import numpy as np

from telemetry.analysis.fault_isolation.drive import STEP_S, Flags, Floats, Indices, smoothed
from telemetry.analysis.fault_isolation.pedal_map import shifted
from telemetry.analysis.fault_isolation.response import hat_functions

GRAVITY = 9.81
_SMOOTH_ROWS = 3.0
_KNOT_S = 2.5
_KNOT_STEP = 0.05
"""Usual change of slope and ground from one knot to the next, share of the weight."""
_LEVEL = 0.3
"""Prior of the resistance itself: so broad that it decides nothing."""
_EVERY_ROWS = 5
_CORRELATED_ROWS = 5.0
"""Neighbouring rows of a smoothed speed say the same thing: so many count as one."""
_LATE_ROWS = range(0, 9, 2)
_PULLS = np.exp(np.linspace(np.log(0.15), np.log(6.0), 16))
"""Force per mass that the drive's high power gives at its usual speed, m/s²: from a hardly moving one to a lively."""
_HEAT = (0.03, 0.06, 0.12, 0.25, 0.5, 1.0)
_USUAL_HEAT = 0.2
"""Heat in the windings over what is done, at 1 m/s² and the usual speed; prior: a factor of e around the usual."""
_BLOCK_ROWS = round(1 / STEP_S)
_LOST_TWICE = 1.5
"""Power that comes back is what the motor held back less losses, and the mass is one over losses: both count."""
_LEAST_SPREAD, _FIRST_SPREAD = 0.02, 0.12


_CALM_ROWS, _RELEASED_ROWS = 31, 15
_LEAST_ROWS = 300
_PRESSED, _LEAST_M_S, _ROLLS_M_S = 0.02, 0.4, 0.5
USUAL, USUAL_FACTOR = 0.05, 0.36
"""Motion resistance over weight on the grounds such machines go on: median, and deviation of its logarithm."""
SLOPES, SLOPES_S, LEAST_SLOPES = 0.014, 120.0, 0.004
"""What slopes leave, one standard deviation, over so many seconds driven; and over any number of them (by the two
simulators; no course is level in the end)."""
LEAST_DRAG, MOST_DRAG = 0.03, 0.11
"""A brake that rubs by less is within what the ground does; by more, the machine hardly moves."""
LEAST_EARLIER = 2
DAY_TO_DAY = 0.012
"""How much one machine's motion resistance differs from one drive to another, by weather, place and load."""
FAMILIAR = 0.8
"""How far earlier drives are trusted to tell what this one should have taken; it may go on other ground."""
_CLEAR = 0.18
"""Beyond this it only gets clearer, and the odds need not grow."""
_LEVELS = np.arange(0.001, 0.4, 0.002)


@dataclass(frozen=True, slots=True)
class Force:
    """Force against the motion over weight (0.05: as on a slope of 5 %), and how well it is known.

    Attributes:
        mean: over the driven time.
        deviation: one standard deviation of it, slopes left out.
        driven_s: seconds driven under power or rolling.
    """

    mean: float
    deviation: float
    driven_s: float


def force_against_motion(t: Floats, travel: Floats, speed: Floats, usable: Flags, traction_w: Floats) -> Force | None:
    """Weigh the force against the motion by the power.

    Args:
        t: seconds (n,).
        travel: share of pedal travel (n,).
        speed: m/s (n,).
        usable: rows in which nothing else interfered: supply there, no shortfall of the controller.
        traction_w: electrical power of the drive alone, W (n,).

    Returns:
        None where the machine drove too little under power, about 15 s.
    """
    smooth = smoothed(speed, _SMOOTH_ROWS)
    pressed = _lasting((travel > _PRESSED) & usable, _CALM_ROWS)
    released = _lasting((travel < _PRESSED) & usable, _RELEASED_ROWS)
    rows = np.flatnonzero(pressed & (smooth > _LEAST_M_S))
    if len(rows) < _LEAST_ROWS:
        return None
    return _balance(t, speed, traction_w, rows, np.flatnonzero(released & (smooth > _ROLLS_M_S)))


def _lasting(flags: Flags, rows: int) -> Flags:
    """Return the rows in the middle of ``rows`` that are all set."""
    lasting: Flags = np.convolve(flags, np.ones(rows), "same") > rows - 0.5
    return lasting


def _balance(t: Floats, speed: Floats, traction_w: Floats, rows: Indices, coasting: Indices) -> Force:
    """Weigh it in ``rows``, driven with nothing interfering, and ``coasting``, rolling with the pedal released."""
    driven = len(rows)
    rows = rows[::_EVERY_ROWS]
    knots = hat_functions(t, _KNOT_S)[rows]
    lacking, prior, works = _lacking(speed, traction_w, rows)
    count = knots.shape[1]
    bend = np.diff(np.eye(count), axis=0) / _KNOT_STEP
    stiff = bend.T @ bend + np.eye(count) / _LEVEL**2
    along = knots * GRAVITY
    spread = _FIRST_SPREAD
    for _ in range(2):
        noise = spread**2 * _CORRELATED_ROWS
        covariance = np.linalg.inv(along.T @ along / noise + stiff)
        resistance = covariance @ (along.T @ lacking) / noise
        left = lacking - along @ resistance
        misfit = (np.minimum(np.abs(left), 3 * spread) ** 2).sum(axis=0) / noise
        fit = -0.5 * (misfit + ((bend @ resistance) ** 2).sum(axis=0))
        best = int(np.argmax(fit))
        spread = max(1.48 * float(np.median(np.abs(left[:, best]))), _LEAST_SPREAD)
    weight = np.exp(fit + prior - (fit + prior).max())
    weight /= weight.sum()
    share = knots.mean(axis=0)
    means = share @ resistance
    mean = float(weight @ means)
    variance = float(weight @ (means - mean) ** 2) + float(share @ covariance @ share)
    rolled = _coasting(speed, traction_w, coasting, float(weight @ works))
    lacks = np.minimum(rolled - mean, 0.0).sum() * _BLOCK_ROWS
    return Force(
        mean + float(lacks) / (driven + len(rolled) * _BLOCK_ROWS), variance**0.5, (driven + len(coasting)) * STEP_S
    )


def _coasting(speed: Floats, traction_w: Floats, coasting: Indices, work: float) -> Floats:
    """Return what held the machine back in each second of rolling, share of the weight.

    Downhill the pedal is let go, so what is driven under power alone is more uphill than the course is. A brake that
    was pressed is not known: what rolling shows is at most too much.
    """
    smooth = np.maximum(smoothed(speed, _SMOOTH_ROWS)[coasting], 0.3)
    slows = -smoothed(speed, _SMOOTH_ROWS, derivative=True)[coasting] / STEP_S
    given_back = np.maximum(-smoothed(traction_w, _SMOOTH_ROWS)[coasting], 0.0)
    held = (slows - _LOST_TWICE * given_back / (work * smooth)) / GRAVITY
    blocks = len(held) // _BLOCK_ROWS
    means: Floats = held[: blocks * _BLOCK_ROWS].reshape(blocks, _BLOCK_ROWS).mean(axis=1)
    return means


def _lacking(speed: Floats, traction_w: Floats, rows: Indices) -> tuple[Floats, Floats, Floats]:
    """Return by how much the acceleration lacks the force per mass, m/s² (rows, pairs).

    With it each pair's log prior, and its mass over efficiency, kg.
    """
    smooth = smoothed(speed, _SMOOTH_ROWS)[rows]
    acceleration = smoothed(speed, _SMOOTH_ROWS, derivative=True)[rows] / STEP_S
    usual, heat = float(np.median(smooth)), np.array(_HEAT)
    work = max(float(np.quantile(traction_w[rows], 0.9)), 1.0) / usual / _PULLS
    works = np.repeat(work, len(heat))
    windings = (work[:, None] * heat * usual).ravel()
    log_prior = np.tile(-0.5 * np.log(heat / _USUAL_HEAT) ** 2, len(work))
    pushing = smooth[:, None] * works
    found = []
    for late in _LATE_ROWS:  # a speed signal comes later than the current
        power = smoothed(np.maximum(shifted(traction_w, late), 0.0), _SMOOTH_ROWS)[rows]
        force = (np.sqrt(pushing**2 + 4 * windings * power[:, None]) - pushing) / (2 * windings)
        found.append(force - acceleration[:, None])
    return np.hstack(found), np.tile(log_prior, len(_LATE_ROWS)), np.tile(works, len(_LATE_ROWS))


def odds_of_drag(forces: Sequence[Force], earlier: Sequence[float] = ()) -> float:
    """Return the natural-logarithm odds of a steady drag against a sound machine.

    A sound machine's motion resistance is that of its tyres on the ground: from memory 2 to 4 % of the weight on hard
    ground, 4 to 9 % on turf, more on soft soil, as the tables of ASABE D497 range. Neither ground nor slope is known,
    and over some minutes the slopes do not quite cancel: one drive can tell only what stands well beyond that. After
    earlier drives of the same machine it is known what it usually takes, and the same drag stands out more.

    Args:
        forces: force against the motion in each piece of the drive, one at least.
        earlier: the same of earlier drives of this machine.
    """
    sound = _normalised(np.exp(-0.5 * (np.log(_LEVELS / USUAL) / USUAL_FACTOR) ** 2) / _LEVELS)
    if len(earlier) >= LEAST_EARLIER:
        usual = float(np.median(earlier))
        spread = max(DAY_TO_DAY, float(np.std(earlier)))
        sound = FAMILIAR * _normalised(np.exp(-0.5 * ((_LEVELS - usual) / spread) ** 2)) + (1 - FAMILIAR) * sound
    added = _normalised(((_LEVELS >= LEAST_DRAG) & (_LEVELS <= MOST_DRAG)).astype(np.float64))
    dragged = np.convolve(sound, added)[: len(_LEVELS)]
    level = float(np.mean([each.mean for each in forces]))
    variance = float(np.mean([each.deviation**2 for each in forces])) / len(forces)
    variance += max(SLOPES**2 * SLOPES_S / sum(each.driven_s for each in forces), LEAST_SLOPES**2)
    seen = np.exp(-0.5 * (_LEVELS - min(level, _CLEAR)) ** 2 / variance)
    return log(float(seen @ dragged) + 1e-9) - log(float(seen @ sound) + 1e-9)


def _normalised(weights: Floats) -> Floats:
    shares: Floats = weights / weights.sum()
    return shares
