"""The controller tried on the bench: enabled, wheels up, the pedal held steady: what drops out?"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from telemetry.analysis.fault_isolation.drive import Floats

WATCHED = {  # share of the usual value below which it has dropped out, and what that speaks for
    "enable_voltage": (0.8, "a seat, brake or key switch, or its wire"),
    "controller_voltage": (0.9, "the way from pack to controller, or the pack's own switch"),
    "motor_speed": (0.7, "the controller, where its enable line and voltage held"),
}
LEAST_S = 10.0
_MOVED = 0.1


@dataclass(frozen=True, slots=True)
class EnabledBench:
    """What dropped out: one sentence each in ``wrong``; ``unknown`` says why nothing can be said."""

    seen: tuple[str, ...]
    wrong: tuple[str, ...]
    unknown: str = ""

    @property
    def is_sound(self) -> bool:
        """Whether it was judged, and nothing is wrong."""
        return not self.unknown and not self.wrong


def judge_enabled(signals: Mapping[str, tuple[Floats, Floats]]) -> EnabledBench:
    """Judge what should hold still.

    Args:
        signals: times (s) and values (n,), none NaN, by name; by ``throttle_voltage`` the pedal is seen to be steady.
    """
    usable = {name: signals[name] for name in WATCHED if name in signals and len(signals[name][0]) >= 20}
    if not usable:
        return EnabledBench((), (), f"none of {', '.join(WATCHED)} came")
    longest = max(float(t[-1] - t[0]) for t, _ in usable.values())
    if longest < LEAST_S:
        return EnabledBench(tuple(usable), (), f"{longest:.0f} s are too short; hold the pedal for {LEAST_S:.0f} s")
    pedal = signals.get("throttle_voltage")
    if pedal is not None and len(pedal[1]) >= 20:
        low, middle, high = np.quantile(pedal[1], [0.02, 0.5, 0.98])
        if high - low > _MOVED * max(abs(middle), 0.5):
            return EnabledBench(tuple(usable), (), f"the pedal moved from {low:.2f} to {high:.2f} V; hold it steady")
    wrong = []
    for name, (t, values) in usable.items():
        share, suspect = WATCHED[name]
        usual = float(np.median(values))
        if usual <= 0.0:
            wrong.append(f"{name} reads {usual:.2f} most of the time: not enabled, or not turning")
            continue
        out = values < share * usual
        begins = np.flatnonzero(out & ~np.concatenate([[False], out[:-1]]))
        if len(begins):
            when = ", ".join(f"{t[row]:.1f}" for row in begins[:6])
            fell = f"{name} dropped out {len(begins)}x, to {values.min():.1f} from {usual:.1f}"
            wrong.append(f"{fell} (at {when} s): {suspect}")
    return EnabledBench(tuple(usable), tuple(wrong))
