"""What a whole report must not say of one session at once; each rule returns the sentences it objects with.

A rule reads the text as a person does, or the text against the object it was made from.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from typing import Any

from telemetry.report.numbers import UNKNOWN
from telemetry.report.session_model import LABELS

Report = Mapping[str, Any]
Rule = Callable[[Report, str], list[str]]
KEY = re.compile(
    r"\b(?:totals|soc|resistance|cells|capacity|phases|implement|work|charging|outlook|storage)\.(?!md\b)\w+"
)


def flat(text: str) -> str:
    return " ".join(text.split())


def section(text: str, title: str) -> str:
    """Return the lines below a heading up to the next; empty where there is none."""
    lines = text.splitlines()
    if title.upper() not in lines:
        return ""
    begin = lines.index(title.upper()) + 1
    end = next((n for n in range(begin, len(lines)) if re.fullmatch(r"[A-Z][A-Z ,]+", lines[n])), len(lines))
    return "\n".join(lines[begin:end])


def cells_alike_and_odd(report: Report, text: str) -> list[str]:
    told = flat(text).lower()
    alike = "no cell stands out" in told or "stay together" in told
    found = ["an odd cell, and none"] if alike and report["cells"]["odd"] else []
    raised = [a["limit"] for a in report["alarms"] if a["active_s"] > 0 and a["limit"].startswith("cell-")]
    if alike and raised and "but see alarms" not in told:
        found.append(f"the cells are called alike though they raised {raised}")
    if alike and re.search(r"cell \d+ stopped the charge before|cell \d+ still lacks", told):
        found.append("the cells are called alike though one stopped the charge early")
    if report["cells"]["odd"] and "could not be compared" in told:
        found.append("an odd cell among cells that could not be compared")
    return found


def charge_and_no_charge(report: Report, text: str) -> list[str]:
    listed = any(phase["kind"] == "charge" for phase in report["phases"])
    told = flat(text)
    found = []
    if listed and "not charged in this session" in told:
        found.append("charging is listed, and the pack was not charged")
    if not listed and (section(text, "Charging") or "a charge" in report["verdict"][0]):
        found.append("a charge that no phase lists")
    if "pack is full" in told and "pack is not full" in told:
        found.append("full and not full")
    return found


def unknown_and_printed(report: Report, text: str) -> list[str]:
    found = []
    for key in report["unknown"]:
        part, _, name = key.partition(".")
        value = report[part].get(name) if name and isinstance(report[part], Mapping) else None
        if value not in (None, []):
            found.append(f"{key} is not known, and is {value}")
    rows = [line.strip() for line in text.splitlines() if line.startswith("  ")]
    return found + [f"a row without a value: {row}" for row in rows if re.search(rf"  {UNKNOWN}( |$)", row)]


def energy_and_none(report: Report, text: str) -> list[str]:
    denied = "energy and power are not known" in flat(text)
    return ["energy is printed, and not known"] if denied and report["totals"]["energy_out_wh"] is not None else []


def alarms_and_none(report: Report, text: str) -> list[str]:
    raised = [alarm for alarm in report["alarms"] if alarm["active_s"] > 0]
    none = re.search(r"\bno alarms?\b", flat(" ".join(report["verdict"])), re.IGNORECASE) is not None
    listed = section(text, "Alarms and marks")
    found = ["no alarms, and alarms are listed"] if none and raised else []
    if raised and not listed:
        found.append("alarms in the verdict that no section lists")
    return found


def totals_that_differ(report: Report, text: str) -> list[str]:
    """Energy and charge of the phases add up to the totals, for phases follow each other without a hole but gaps."""
    totals, phases = report["totals"], report["phases"]
    found = []
    for unit, key in (("wh", "energy_wh"), ("ah", "charge_ah")):
        name = "energy" if unit == "wh" else "charge"
        out, into = totals[f"{name}_out_{unit}"], totals[f"{name}_in_{unit}"]
        values = [phase[key] for phase in phases]
        if out is None or not values or None in values:
            continue
        if abs(sum(values) - (out - into)) > 0.002 * (out + into) + 0.01:
            found.append(f"{name}: {sum(values):.3f} in the phases, {out - into:.3f} in all")
    charging = report["charging"]
    charged = sum(-phase["charge_ah"] for phase in phases if phase["kind"] == "charge" and phase["charge_ah"])
    if charging and charging.get("charge_in_ah") is not None and charging["charge_in_ah"] > 1.01 * charged + 0.01:
        found.append(f"{charging['charge_in_ah']} Ah charged, and {charged} Ah in the phases")
    returned = totals["returned_share_pct"]
    if returned is not None and totals["energy_out_wh"]:
        back = sum(p["returned_wh"] for p in phases if p["kind"] != "charge" and p["returned_wh"] is not None)
        if abs(returned - 100 * back / totals["energy_out_wh"]) > 0.1 + 0.01 * returned:
            found.append(f"{returned} % returned, and {back} Wh in the phases")
    return found


def rest_and_never(report: Report, text: str) -> list[str]:
    listed = any(phase["kind"] == "rest" for phase in report["phases"])
    told = flat(section(text, "What this drive could not show"))
    if listed and re.search(r"spread at rest[^.]*: the pack never rested", told):
        return ["rest is listed, and the pack never rested"]
    lasting = [p for p in report["phases"] if p["kind"] == "rest" and p["end_s"] - p["start_s"] > 120]
    most = re.search(r"rested for ([\d.]+) s at most", told)
    return ["a longer rest is listed"] if lasting and most and float(most[1]) < 100 else []


def full_and_lacking(report: Report, text: str) -> list[str]:
    charging = report["charging"]
    if not charging or charging.get("ending") != "cell-stopped":
        return []
    full, balance = charging["time_to_full_h"], charging["balancing_h"]
    if charging["false_full"] and full is not None and full != balance:
        return ["full sooner than its cells can be balanced, though a cell stops every charge"]
    return []


def words_of_a_program(report: Report, text: str) -> list[str]:
    """No internal key, no exponent, no minus zero, no time in seconds, in anything that is printed."""
    told = flat(text)
    found = [f"internal key {key}" for key in KEY.findall(told)]
    patterns = {
        "exponent": r"\d[eE][+-]\d",
        "minus zero": r"(?<![\w.])-0(\.0+)?(?![\d.:])",
        "zero give or take zero": r"\b0(\.0+)? ± 0(\.0+)? ",
        "a moment in seconds": r"\b[Aa]t \d+(\.\d+)? s\b",
        "not a number": r"\b(nan|inf|None)\b",
    }
    return found + [f"{name}: {m[0]}" for name, pattern in patterns.items() if (m := re.search(pattern, told))]


def keys_without_a_label(report: Report, text: str) -> list[str]:
    return [f"{key} has no label" for key in report["unknown"] if key not in LABELS]


RULES: tuple[Rule, ...] = (
    cells_alike_and_odd,
    charge_and_no_charge,
    unknown_and_printed,
    alarms_and_none,
    energy_and_none,
    totals_that_differ,
    rest_and_never,
    full_and_lacking,
    words_of_a_program,
    keys_without_a_label,
)


def objections(report: Report, text: str) -> list[str]:
    return [objection for rule in RULES for objection in rule(report, text)]
