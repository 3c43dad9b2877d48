"""A bench test in words: how it is done, the verdict and what to do next; as JSON; and its signal with each fault."""

from __future__ import annotations

import math
from textwrap import wrap
from typing import Any

import numpy as np

from telemetry.analysis.fault_isolation.enabled_bench import HOLD_S, PEDAL, SPEED, EnabledBench
from telemetry.analysis.fault_isolation.pedal_bench import PedalBench
from telemetry.machine.cautions import shock_caution
from telemetry.machine.sections import Machine
from telemetry.model.batch import Values
from telemetry.model.time_text import length
from telemetry.report.bench_watch import LABELS, Bench, BenchTest
from telemetry.report.chart_data import Chart, Curve, Piece
from telemetry.report.text_chart import text_chart

CAUTIONS = (
    "Before you begin: driven wheels off the ground on stands, the other wheels",
    "chocked, nobody near them, implement disengaged, rings and watch off, a second",
    "person at the emergency stop or main switch.",
)
HOW = {
    "throttle": (
        "Controller off: leave the key off unless the throttle needs it for its supply.",
        "The wheels must not turn. Leave the throttle alone for 2 s, press it slowly",
        "(4 s) to the stop, release it slowly. Do this twice. The second time, wiggle its",
        "plug and wire with the other hand. Signal plugs only.",
    ),
    "enabled": (
        "The wheels will turn: keep hands, hair and clothes away from them, and from",
        "chain, belt and shaft. Enable the controller, press the throttle until they turn",
        f"slowly, and hold it still for {HOLD_S:.0f} s. In the second half rock the seat, wiggle the",
        "key and plugs that are clear of moving parts. Signal plugs only: never move a",
        "power joint under load. Bypass no interlock.",
    ),
}
_MEASURE = {
    PEDAL: "Next: key off; reseat the throttle plug and test the throttle alone: --bench throttle.",
    "enable_voltage": "Next: follow the enable line with a meter from switch to switch (key, brake, seat) while"
    " somebody operates them. The switch with voltage in and none out is the fault. Never bridge one to drive.",
    "controller_voltage": "Next: check whether the BMS tripped, and why. If not: key off, pack disconnected, inspect"
    " every joint, fuse and contactor from pack to controller. Cell joints stay live even then.",
    SPEED: "Next: count the blinks of the controller's lamp and look up the fault code. Key off, pack disconnected:"
    " check its plugs and the motor's, and turn each wheel by hand.",
}
_TITLES = {
    "throttle_voltage": ("Throttle", "V"),
    "motor_speed": ("Motor speed", "rpm"),
    "enable_voltage": ("Enable line", "V"),
    "controller_voltage": ("Voltage at the controller", "V"),
}
_COLUMNS = 140
_WIDTH, _HEIGHT = 78, 12


def bench_cautions(machine: Machine) -> list[str]:
    """Return the cautions before a bench test, with that of the pack's voltage, in lines of 80 columns."""
    return [*CAUTIONS, *wrap(shock_caution(machine), 80)]


def bench_lines(result: PedalBench | EnabledBench) -> list[str]:
    """Return the verdict in words, one line each."""
    lines = []
    if isinstance(result, PedalBench) and not math.isnan(result.rest):
        lines.append(
            f"Throttle: {result.rest:.2f} V released, {result.top:.2f} V pressed, "
            f"noise {result.noise * 1000:.0f} mV, {result.presses} presses."
        )
    if isinstance(result, EnabledBench) and result.usual:
        figures = []
        for name, usual in result.usual.items():
            label, unit, places = LABELS[name]
            figures.append(f"{label} {usual:.{places}f} {unit}")
        lines.append(f"Held for {length(result.held_s)}: {', '.join(figures)}.")
    if result.unknown:
        return [*lines, f"Verdict: not known; {result.unknown}."]
    if result.is_sound:
        lines.append("Verdict: sound.")
    else:
        lines += ["Verdict: not sound.", *(f"- {sentence}" for sentence in result.wrong)]
    if isinstance(result, PedalBench):
        lines += [f"Note: {remark}." for remark in result.remarks]
    return lines


def next_step(result: PedalBench | EnabledBench) -> str:
    """Return what to do next, as one line."""
    if result.unknown:
        return "Next: repeat the test; without a verdict no part is cleared or blamed."
    if isinstance(result, PedalBench):
        if result.is_sound:
            return "Next: leave the throttle as it is. Drive where it hesitates, then: shakedown isolate last."
        plug = "Next: key off; clean and reseat the throttle's plug"
        if result.one_spot:
            return f"{plug} and test again. It fails at one spot of its travel, typical of a worn sensor track."
        return f"{plug}, check its wire and ground, and test again; if nothing changes, it is the sensor."
    if result.is_sound:
        return "Next: drive; some faults show only under load, heat or rough ground. Then: shakedown isolate last."
    return _MEASURE[result.suspects[0]]


def bench_object(bench: Bench, result: PedalBench | EnabledBench) -> dict[str, Any]:
    """Return the verdict as the object of ``--json``."""
    verdict = "unknown" if result.unknown else ("sound" if result.is_sound else "not sound")
    told: dict[str, Any] = {"kind": "bench", "bench": bench, "verdict": verdict, "wrong": list(result.wrong)}
    told["unknown"] = result.unknown or None
    if isinstance(result, PedalBench):
        known = not math.isnan(result.rest)
        told |= {"rest_v": result.rest if known else None, "top_v": result.top if known else None}
        told |= {"noise_v": result.noise if known else None, "presses": result.presses}
        told["faults"] = [{"t": each.t, "travel": each.travel, "what": each.what} for each in result.faults]
        told["remarks"] = list(result.remarks)
    else:
        told |= {"seen": list(result.seen), "held_s": result.held_s, "usual": dict(result.usual)}
    return told


def bench_chart(test: BenchTest, result: PedalBench | EnabledBench) -> list[str]:
    """Return the chart as lines of at most 78 characters."""
    name = test.drawn
    t, values = test.series(name)
    if len(t) <= 1:
        return []
    title, unit = _TITLES[name]
    high = float(values.max())
    curves = [Curve("signal", (_columns(t, values),))]
    top = 1.1 * max(high, 1e-3)
    falls = [fault.t for fault in result.faults] if isinstance(result, PedalBench) else list(result.falls)
    if falls:
        spots = np.array(falls) / 60.0
        level = np.full(1, 1.05 * high)
        curves.append(Curve("fault", tuple(Piece(spots[i : i + 1], level, level) for i in range(len(spots)))))
    chart = Chart(name, title, unit, tuple(curves), (0.0, float(t[-1]) / 60.0), (min(0.0, float(values.min())), top))
    return text_chart(chart, _WIDTH, _HEIGHT)


def _columns(t: Values, values: Values) -> Piece:
    """Return the lowest and highest reading of each column, so that no short fault is lost."""
    starts = np.unique(np.searchsorted(t, np.linspace(t[0], t[-1], _COLUMNS, endpoint=False)))
    return Piece(t[starts] / 60.0, np.minimum.reduceat(values, starts), np.maximum.reduceat(values, starts))
