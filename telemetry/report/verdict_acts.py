"""What to say and do about a part after a session: in the workshop, with the machine standing.

What to do about an alarm is in :mod:`telemetry.alarms.acts`; these acts are about parts that were held against a
limit, and may mention joints, with the caution that belongs to them. Common practice, from memory.
"""

from __future__ import annotations

from collections.abc import Mapping
from fnmatch import fnmatchcase

from telemetry.alarms.acts import DEEP_BELOW_V
from telemetry.analysis.cell_findings import OddCell

_LIVE = "Cell joints stay live with the key off: leave work on them to somebody trained, by the pack maker's sheet."
_LESS_CURRENT = "Lower the controller's current limit or the load, then record another drive."
_CHARGE_AND_REPEAT = "Charge the pack and repeat the drive. If it sags again, look for a weak cell or joint."
_CHARGE_SLOWLY = f"Charge it full slowly, watched, unless that cell rests {DEEP_BELOW_V:g} V or more below its limit."
_TOO_HIGH = "Check the charger's voltage, and brake with the mechanical brake while the pack is full."
_ACTS: tuple[tuple[str, str], ...] = (
    ("fuse-current", f"{_LESS_CURRENT} Never fit a fuse above what the wire carries."),
    ("wire-current", f"{_LESS_CURRENT} Or fit a thicker wire; the fuse stays matched to the weakest part."),
    ("pack-charge-current", "Set the charger, or the controller's regen, to less current."),
    ("charge-*-current", "Set the charger to less current, or match its wiring to it."),
    ("*-current", _LESS_CURRENT),
    ("*-low-voltage", _CHARGE_AND_REPEAT),
    ("pack-cells-minimum", _CHARGE_AND_REPEAT),
    ("*-high-voltage", _TOO_HIGH),
    ("highest-cell", "Do not charge it unattended. Check the charger's voltage and let the pack balance."),
    ("lowest-cell", f"{_CHARGE_SLOWLY} {_LIVE}"),
    ("cell-resistance", f"Have the joints of that cell checked. {_LIVE}"),
    ("cell-low-*", "Charge the pack full and let it balance, then record another drive and compare."),
    ("cell-unknown", "Charge the pack to the end in one recording with a drive: that shows why the cell stands out."),
    ("cell-*", f"Have the joints of that cell checked. {_LIVE}"),
    (
        "*-temperature",
        "Let it cool before the next drive. Smoke, hiss or smell: keep away and call the fire service.",
    ),
    ("path", "Isolate the pack. Then have each joint, fuse and contactor between pack and controller checked."),
    ("sag-*", "Turn back before 20 % of charge, or use little throttle below it."),
)
"""The first pattern that fits the key of a row, or ``cell-`` and the cause of an odd cell, counts."""


CAUSE_WORDS: Mapping[str, str] = {
    "low-capacity": "low capacity",
    "low-charge": "low charge",
    "high-resistance": "high resistance",
    "unknown": "cause not known",
}


def cause_words(odd: OddCell) -> str:
    """Return why a cell stands out and how likely that is; of an unknown cause there is nothing to be likely."""
    words = CAUSE_WORDS[odd.cause]
    return words if odd.cause == "unknown" else f"{words}, {100 * odd.confidence:.0f} % likely"


def act_after(key: str, *, parked: bool) -> str:
    """Return what to do about the part of that key, one or a few sentences.

    Args:
        key: of a row, or ``cell-`` with the cause that an odd cell has.
        parked: whether the machine must stay parked until then.
    """
    act = next(words for pattern, words in _ACTS if fnmatchcase(key, pattern))
    return f"{'Do not drive it, key off.' if parked else 'Half throttle until this is done.'} {act}"
