"""The controller on the bench: enabled, wheels up, throttle held steady: which signal drops out?

Only the time while the throttle was held counts. The first signal to drop explains the later ones: the motor slows
after its enable line, supply or throttle drops, and only a drop of its own points to the controller.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from telemetry.analysis.fault_isolation.drive import Flags, Floats
from telemetry.analysis.fault_isolation.pedal_bench import running_median
from telemetry.model.time_text import clock, length

_TURNS_KMH = 0.5  # above this the wheels turn; ours
_LEAST_QUARTER = 5  # readings in a quarter of a hold from which a slow fall is told; ours
_SAID = 6  # times that are listed
PEDAL = "throttle_voltage"
SPEED = "motor_speed"
WATCHED = {  # share of the usual value below which it has dropped out, and what that points to
    "enable_voltage": (0.8, "a seat, brake or key switch, or its wire"),
    "controller_voltage": (0.9, "the path from pack to controller, or a BMS trip"),
    SPEED: (0.7, "the controller, if its enable line, supply and throttle were steady"),
}
_OFF = {
    "enable_voltage": "not enabled, or its wire is open",
    "controller_voltage": "the path from the pack is open, or the wire to the logger is",
    SPEED: "press a little more; if they still do not turn, try each by hand, key off and pack disconnected",
}
PEDAL_SUSPECT = "the throttle sensor or its wire; --bench throttle shows where in its travel"
LEAST_S = 10.0
HOLD_S = 40.0
"""How long the throttle is held in the test; it is judged from ``LEAST_S`` on."""
_MOVED = 0.1
_SETTLES_S = 2.0
_EARLIEST_S, _LATEST_S = -1.0, 3.0  # from a cause to the fall of the speed
_SANK = 0.85
_LEAST_ROWS = 20
_STANDS = 0.02  # share of the highest reading


@dataclass(frozen=True, slots=True)
class EnabledBench:
    """The judgement.

    Attributes:
        seen: the signals that were judged.
        held_s: how long the throttle was held, s.
        usual: what each of them read most of that time.
        wrong: what dropped out, one sentence each.
        unknown: why there is no verdict; empty where there is one.
        suspects: the signals that ``wrong`` is about, in its order.
        falls: when any of them fell, s.
    """

    seen: tuple[str, ...]
    held_s: float
    usual: Mapping[str, float]
    wrong: tuple[str, ...]
    unknown: str = ""
    suspects: tuple[str, ...] = ()
    falls: tuple[float, ...] = ()

    @property
    def is_sound(self) -> bool:
        """Whether it was judged, and nothing is wrong."""
        return not self.unknown and not self.wrong

    @property
    def turning(self) -> bool:
        """Whether the wheels turned, or their speed is not known."""
        return self.usual.get(SPEED, 1.0) > _TURNS_KMH


_Signals = Mapping[str, tuple[Floats, Floats]]


def judge_enabled(signals: _Signals) -> EnabledBench:
    """Judge the signals that should stay steady.

    Args:
        signals: times (s) and values (n,), none NaN, by name: those of ``WATCHED``, and ``throttle_voltage``, which
            shows that the throttle is held.
    """
    usable = {name: signals[name] for name in (*WATCHED, PEDAL) if name in signals}
    usable = {name: found for name, found in usable.items() if len(found[0]) >= _LEAST_ROWS}
    seen = tuple(name for name in usable if name in WATCHED)
    if not seen:
        return EnabledBench((), 0.0, {}, (), f"none of {', '.join(WATCHED)} was received")
    first, last = _held(usable)
    held_s = max(0.0, last - first)
    held = {name: (t[(t >= first) & (t <= last)], v[(t >= first) & (t <= last)]) for name, (t, v) in usable.items()}
    held = {name: found for name, found in held.items() if len(found[0]) >= _LEAST_ROWS}
    usual = {name: float(np.median(values)) for name, (_, values) in held.items()}
    why = _unknown(usable, held, usual, held_s)
    if why:
        return EnabledBench(seen, held_s, usual, (), why)
    wrong: list[_Wrong] = []
    for name in (PEDAL, *WATCHED):  # cause before effect
        if name in held:
            wrong += _wrong(name, *held[name], usual[name], [t for _, times, _ in wrong for t in times])
    falls = tuple(sorted(t for _, times, _ in wrong for t in times))
    told, suspects = tuple(told for _, _, told in wrong), tuple(name for name, _, _ in wrong)
    return EnabledBench(seen, held_s, usual, told, "", suspects, falls)


_Wrong = tuple[str, list[float], str]
"""Which signal, when it fell (s), and that in words."""


def _unknown(usable: _Signals, held: _Signals, usual: Mapping[str, float], held_s: float) -> str:
    """Return why nothing can be judged; empty where it can."""
    if held_s < LEAST_S:
        return f"the throttle was held only {length(held_s)}; hold it for {length(HOLD_S)}"
    if PEDAL in held:
        low, high, moved = _range(*held[PEDAL], abs(usual[PEDAL]))
        if moved:
            return f"the throttle moved from {low:.2f} to {high:.2f} V; hold it steady"
    still = SPEED in held and usual[SPEED] <= _STANDS * max(float(held[SPEED][1].max()), 1.0)
    if still and not (PEDAL in usable and _range(*usable[PEDAL])[2]):
        return "the wheels did not turn: enable the controller, and press until they do"
    return ""


def _range(t: Floats, values: Floats, usual: float | None = None) -> tuple[float, float, bool]:
    """Return the lowest and highest smoothed reading, and whether they are far apart beside ``usual`` or the high."""
    low, high = np.quantile(_smooth(t, values), [0.02, 0.98]).tolist()
    return low, high, high - low > _MOVED * max(abs(high) if usual is None else usual, 0.5)


def _smooth(t: Floats, values: Floats) -> Floats:
    """Return a running median over a second: drop-outs are gone, movements of a hand are not."""
    return running_median(values, max(3, round(1.0 / max(float(np.median(np.diff(t))), 1e-3)) | 1))


def _held(signals: _Signals) -> tuple[float, float]:
    """Return from when to when the pedal was held, by itself or by the motor's speed; s."""
    for name, settles in ((PEDAL, 0.0), (SPEED, _SETTLES_S)):
        if name not in signals:
            continue
        t, values = signals[name]
        low, high, moved = _range(t, values)
        if not moved:
            continue  # held, or let go, all the time
        smooth = _smooth(t, values)
        level = float(np.median(smooth[smooth > 0.5 * (low + high)]))
        pressed = np.flatnonzero(smooth > low + 0.8 * (level - low))
        return float(t[pressed[0]]) + settles, float(t[pressed[-1]]) - 0.5
    return min(float(t[0]) for t, _ in signals.values()), max(float(t[-1]) for t, _ in signals.values())


def _wrong(name: str, t: Floats, values: Floats, usual: float, earlier: list[float]) -> list[_Wrong]:
    """Return what is wrong with a signal, at most one; drops of the speed are explained by the times ``earlier``."""
    if name == PEDAL:
        times = t[_begins(np.abs(values - _smooth(t, values)) > _MOVED * max(abs(usual), 0.5))].tolist()
        where = f"between {values.min():.2f} and {values.max():.2f} V"
        return [(name, times, f"{name} jumped {_when(times)}, {where}: {PEDAL_SUSPECT}")] if times else []
    share, suspect = WATCHED[name]
    if usual <= _STANDS * max(float(np.abs(values).max()), 1.0):
        what = "the wheels did not turn with the throttle pressed" if name == SPEED else "it is off"
        return [(name, [], f"{name} reads {abs(usual):.2f} most of the time, {what}: {_OFF[name]}")]
    if name == SPEED:  # the wheels come up to speed after the pedal
        settled = t >= t[0] + _SETTLES_S
        t, values = t[settled], values[settled]
    times = t[_begins(values < share * usual)].tolist()
    if name == SPEED:
        times = [at for at in times if not any(_EARLIEST_S < at - cause < _LATEST_S for cause in earlier)]
        if not times and not earlier:
            return _sank(values)
    fell = f"{name} dropped out {_when(times)}, to {max(float(values.min()), 0.0):.1f} from {usual:.1f}"
    return [(name, times, f"{fell}: {suspect}")] if times else []


def _sank(values: Floats) -> list[_Wrong]:
    """Return what is wrong where the speed falls slowly."""
    quarter = len(values) // 4
    if quarter < _LEAST_QUARTER:
        return []
    first, last = float(np.median(values[:quarter])), float(np.median(values[-quarter:]))
    if last > _SANK * first:
        return []
    sank = f"{SPEED} fell from {first:.0f} to {last:.0f} rpm with the throttle held"
    return [(SPEED, [], f"{sank}: the controller folds back as it warms up, or something drags")]


def _begins(out: Flags) -> Flags:
    before: Flags = np.concatenate([[False], out[:-1]])
    return out & ~before


def _when(begins: list[float]) -> str:
    listed = ", ".join(clock(at, tenths=True) for at in begins[:_SAID]) + (", ..." if len(begins) > _SAID else "")
    return f"{'once' if len(begins) == 1 else f'{len(begins)} times'} (at {listed})"
