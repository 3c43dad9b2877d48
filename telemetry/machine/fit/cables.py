"""The two cables, to the controller and from the charger, and what the file leaves open of each."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Literal

from telemetry.machine.ampacity import Ampacity, Carries
from telemetry.machine.fit.findings import Finding, unknown
from telemetry.machine.fit.loads import Current, continuous_current
from telemetry.machine.pack_keys import Wiring
from telemetry.machine.sections import Machine
from telemetry.model.words import capital

Cable = Literal["wiring", "charge_wiring"]
CABLE_WORDS: dict[Cable, str] = {
    "wiring": "the cable to the controller",
    "charge_wiring": "the cable from the charger",
}


def wiring_of(machine: Machine, cable: Cable) -> Wiring:
    """Return what the file states of a cable."""
    return machine.wiring if cable == "wiring" else machine.charge_wiring


def current_of(machine: Machine, cable: Cable) -> Current | None:
    """Return the current that flows in that cable for hours; None where the file does not say."""
    if cable == "wiring":
        return continuous_current(machine)
    amperes = machine.charger.output_current_a
    return None if amperes is None else Current(amperes, f"{amperes:g} A from the charger")


def current_key(cable: Cable) -> tuple[str, str]:
    """Return the key that would state that current."""
    return ("machine", "continuous_current_a") if cable == "wiring" else ("charger", "output_current_a")


def size_note(cable: Cable) -> str:
    """Return the other key that states a conductor's size, as a sentence."""
    return f"Or [{cable}] conductor_awg, if the print gives a gauge."


def judge_conductor(
    cable: Cable, carries: Carries, subject: str, judge: Callable[[Ampacity], Finding], advice: str = ""
) -> Finding:
    """Return the finding for a conductor whose ampacity the file may leave open.

    Both ends of what it may carry are judged. Where both are ``ok`` or both ``stop``, that is the finding. Else it is
    ``unknown`` if insulation is open and the best would do, or a ``caution`` that gives the figure of either table.

    Args:
        cable: whose conductor it is.
        carries: the least and the most that it carries.
        subject: what is compared with the conductor, the start of a sentence.
        judge: gives the finding for one ampacity.
        advice: what else can be done, a sentence.

    """
    found, at_best = judge(carries.least), judge(carries.most)
    if found.verdict == at_best.verdict and (found.verdict != "caution" or not carries.undecided):
        return found
    limits = f"{_limit(found, carries.least)} and {_limit(at_best, carries.most)}"
    source = "; ".join(dict.fromkeys(f"{found.source}; {at_best.source}".split("; ")))
    if at_best.verdict == "ok" and "insulation_c" in carries.undecided:
        note = f"{capital(subject)}: the limit is {limits}."
        return unknown(*((cable, key) for key in carries.undecided), unit=found.unit, source=source, note=note)
    open_keys = " and ".join(carries.undecided)
    why = f"{subject}: the limit is {limits}. State [{cable}] {open_keys} to know which applies.{advice}"
    return replace(found, verdict="caution", why=why, source=source)


def _limit(finding: Finding, carried: Ampacity) -> str:
    """Return the limit of a finding with where and by which table it holds."""
    if finding.limit == round(carried.amperes, 4):
        return f"{carried.amperes:.3g} A {carried.where} ({carried.words})"
    ends = f"lugs and terminals rated {carried.terminations_c} °C"
    by = "NEC 240.4(D)" if finding.limit == carried.most_fuse_a else ends
    return f"{finding.limit:.3g} A {carried.where} ({by})"
