"""The verdict of a report: three sentences, of what was driven, of the pack, and of what to mind."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from telemetry.report.numbers import clock_span, figure

Report = Mapping[str, Any]
_CHARGE_SHARE = 5.0
"""In this many times what went out: a charge. Ours."""


def verdict_of(report: Report) -> list[str]:
    """Return the three sentences."""
    return [_driven(report), _pack(report), _mind(report)]


def _driven(report: Report) -> str:
    totals = report["totals"]
    length = clock_span(totals["duration_s"])
    out, into = totals["energy_out_wh"], totals["energy_in_wh"]
    if out is None or into is None:
        return f"In {length} the energy could not be told."
    sure = totals["uncertainty"]
    gave = figure(out, "Wh", sure.get("energy_out_wh"))
    took = figure(into, "Wh", sure.get("energy_in_wh"))
    if into > _CHARGE_SHARE * out:
        return f"In {length} the pack took {took} and gave {gave}: this was a charge."
    share, peak = totals["returned_share_pct"], totals["peak_power_w"]
    back = f" and got {took} back, {share:.1f} % of it by braking" if share and share >= 0.05 else ""
    hardest = "" if peak is None else f"; the hardest moment took {figure(peak, 'W')}"
    return f"In {length} the pack gave {gave}{back}{hardest}."


def _pack(report: Report) -> str:
    soc, cells, resistance = report["soc"], report["cells"], report["resistance"]
    if soc["end_pct"] is None:
        charge = "Its charge at the end is unknown"
    else:
        charge = f"It ended at {figure(soc['end_pct'], '%', soc['end_uncertainty_pct'])} of charge"
    odd = cells["odd"]
    if odd:
        named = "; ".join(f"cell {each['cell']} ({each['cause']})" for each in odd)
        return f"{charge}, and not all of its cells are alike: {named}."
    if resistance["cells"]:
        return f"{charge}, and its {len(resistance['cells'])} cells stay together as far as this drive shows."
    return f"{charge}; what its cells do, this session does not show."


def _mind(report: Report) -> str:
    parts = []
    raised = [alarm for alarm in report["alarms"] if alarm["active_s"] > 0]
    if raised:
        names = ", ".join(dict.fromkeys(alarm["limit"] for alarm in raised))
        parts.append(f"{len(raised)} alarm{'s' if len(raised) > 1 else ''} ({names})")
    if report["findings"]:
        count = len(report["findings"])
        parts.append(f"{count} remark{'s' if count > 1 else ''} on the evidence")
    if not parts and report["judged_by"] is None:
        return "Nothing is wrong with the evidence; no limits are known to hold it against."
    if not parts:
        return "No limit was exceeded, and nothing is wrong with the evidence."
    return f"To mind: {' and '.join(parts)}, told below."
