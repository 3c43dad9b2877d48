"""Currents against the ratings of pack, wire, fuse, connector and controller."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from telemetry.analysis.charger_watch import least_charge_a
from telemetry.analysis.parts_seen import HIGH_VOLTAGE_S, PEAK_S, peak_current, steady_current
from telemetry.analysis.resistance import least_current
from telemetry.analysis.session_figures import SessionFigures
from telemetry.analysis.session_power import Flow
from telemetry.machine.limits_current import (
    CHARGE_WARN_SHARE,
    CURRENT_WARN_SHARE,
    Part,
    charge_parts,
    discharge_parts,
)
from telemetry.model.time_text import length
from telemetry.report.part_row import Bound, PartRow, make_row, not_stated, with_unit

CONTROLLER_WINDOW_S = 60.0
"""Ratings of motor controllers hold for one to two minutes. Common practice, from memory."""
_SIGN_WRONG = "the current is counted the wrong way round; set sign_of_current and record again"
NO_LOAD = "no load in this session; record a drive"
_NO_CURRENT = "record pack_current"


def current_rows(figures: SessionFigures) -> Iterator[PartRow]:
    """Yield peak and steady current of each part of the cable to the controller, and of the charge path."""
    machine, flow, why = figures.machine, outflow(figures), current_missing(figures)
    origin = figures.series.origin
    peak = None if flow is None else peak_current(flow, origin, PEAK_S)
    if machine is not None and peak is not None and peak.value < least_current(machine.pack):
        flow, peak, why = None, None, NO_LOAD
    rating = None if machine is None else machine.pack.peak_discharge_a
    bound = None
    if rating is not None:
        bound = Bound(rating, CURRENT_WARN_SHARE * rating, "[pack] peak_discharge_a")
    yield make_row(
        "pack-peak-current",
        "pack, peak current",
        "A",
        peak,
        bound,
        why or not_stated(machine, "pack", "peak_discharge_a"),
    )
    parts = {_kind(part): part for part in discharge_parts(machine)} if machine is not None else {}
    for kind, key in _WAY:
        part = parts.get(kind)
        yield _steady(figures, flow, kind, part, why or not_stated(machine, *key))
    yield _controller(figures, flow, why)
    yield from _into(figures, outflow(figures))


_WAY = (
    ("pack", ("pack", "continuous_discharge_a")),
    ("wire", ("wiring", "conductor_mm2")),
    ("fuse", ("wiring", "fuse_a")),
    ("connector", ("wiring", "connector_a")),
)


def outflow(figures: SessionFigures) -> Flow | None:
    """Return the current of the session where its direction is right."""
    return None if figures.sign_is_wrong else figures.power.current


def current_missing(figures: SessionFigures) -> str:
    """Return why no current can be judged; empty where it can."""
    if figures.sign_is_wrong:
        return _SIGN_WRONG
    return _NO_CURRENT if figures.power.current is None else ""


def _kind(part: Part) -> str:
    return "wire" if part.name.endswith("conductor") else part.name


def _steady(figures: SessionFigures, flow: Flow | None, kind: str, part: Part | None, why: str) -> PartRow:
    """Return the row of a part of the discharge path: the steady current over its own thermal time constant."""
    name = "pack, steady current" if kind == "pack" else kind
    key = "pack-steady-current" if kind == "pack" else f"{kind}-current"
    if part is None:
        return make_row(key, name, "A", None, None, why)
    if kind == "wire":
        name = f"wire {part.name.removesuffix(' conductor')}"
    worst = None if flow is None else steady_current(flow, figures.series.origin, part.window_s)
    seen = "" if worst is None else f"{with_unit(worst.value, 'A')} ({length(part.window_s)})"
    return make_row(key, name, "A", worst, _current_bound(part, CURRENT_WARN_SHARE), why, seen=seen)


def _current_bound(part: Part, warn_share: float) -> Bound:
    return Bound(part.rating_a, warn_share * part.rating_a, part.origin)


def _controller(figures: SessionFigures, flow: Flow | None, why: str) -> PartRow:
    rating = None if figures.machine is None else figures.machine.vehicle.controller_current_a
    if rating is None:
        why = why or not_stated(figures.machine, "machine", "controller_current_a")
        return make_row("controller-current", "controller current", "A", None, None, why)
    worst = None if flow is None else steady_current(flow, figures.series.origin, CONTROLLER_WINDOW_S)
    seen = "" if worst is None else f"{with_unit(worst.value, 'A')} ({length(CONTROLLER_WINDOW_S)})"
    bound = Bound(rating, CURRENT_WARN_SHARE * rating, "[machine] controller_current_a, battery side")
    return make_row("controller-current", "controller current", "A", worst, bound, why, seen=seen)


def _into(figures: SessionFigures, flow: Flow | None) -> Iterator[PartRow]:
    """Yield the current into the pack where there was any, and that through the charger's own wiring."""
    machine = figures.machine
    if machine is None or flow is None or not len(flow) or not (flow.values < -least_charge_a(machine)).any():
        return
    charges = figures.phases.of("charge")
    charging = np.zeros(len(flow), dtype=np.bool_)
    for phase in charges:
        charging |= (flow.t > phase.start) & (flow.t <= phase.end)
    parts = {_kind(part): part for part in charge_parts(machine)}
    for kind in ("pack", "wire", "fuse", "connector") if charges else ("pack",):
        part = parts.get(kind)
        if part is None:
            if kind == "pack":
                why = not_stated(machine, "pack", "continuous_charge_a")
                peak = peak_current(flow, figures.series.origin, HIGH_VOLTAGE_S, into=True)
                yield make_row("pack-charge-current", "pack, charge current", "A", peak, None, why)
            continue
        used = None if kind == "pack" else charging
        worst = steady_current(flow, figures.series.origin, part.window_s, used, into=True)
        seen = "" if worst is None else f"{with_unit(worst.value, 'A')} ({length(part.window_s)})"
        name = "pack, charge current" if kind == "pack" else f"charger's {kind}"
        key = "pack-charge-current" if kind == "pack" else f"charge-{kind}-current"
        yield make_row(key, name, "A", worst, _current_bound(part, CHARGE_WARN_SHARE), "", seen=seen)
