"""What the machine draws against what the pack gives, with the voltage that sags under it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

from telemetry.machine.fit.controller import lowest_pack_v
from telemetry.machine.fit.findings import Finding, absent, amount, judged, unknown, worst
from telemetry.machine.fit.loads import (
    Peak,
    Resistance,
    continuous_current,
    hot_conductor_c,
    lowest_resistance,
    nearly_empty_v,
    pack_resistance,
    peak,
    wire_loop_ohm,
)
from telemetry.machine.sections import Machine
from telemetry.model.words import capital

START_TO_RUNNING = 5.0
"""A deck motor draws 3 to 5 times its running current while it starts (common practice); the most is taken, so
that the least of its start is already in the steady current."""
START_S = 0.35
_PACK_SOURCE = "[pack] peak_discharge_a and continuous_discharge_a"
_START_SOURCE = "start of 3 to 5 times the running current for a third of a second, common practice"
_PEAK_KEY = ("machine", "peak_power_w")


def pack_current(machine: Machine) -> Finding:
    """Compare peak and steady current with the pack's own limits, the peak at the lowest voltage."""
    peak_draw, steady = _by_estimate(machine, _peak_current), _steady_current(machine)
    if peak_draw.verdict == steady.verdict == "ok":
        return replace(peak_draw, why=f"{peak_draw.why} {capital(steady.why)}")
    return worst([peak_draw, steady])


def _by_estimate(machine: Machine, judge: Callable[[Machine, Resistance], Finding]) -> Finding:
    """Judge by the pack's resistance; an estimated one makes a stop only if the lowest that it may be does too."""
    found = judge(machine, pack_resistance(machine))
    if found.verdict != "stop" or machine.pack.internal_resistance_mohm is not None:
        return found
    lowest = lowest_resistance(machine)
    at_best = judge(machine, lowest)
    if at_best.verdict == "stop":
        return at_best
    why = (
        f"{found.why} A pack of lower resistance, down to {amount(1000 * lowest.ohm, 'mΩ')}, does better: measure it "
        "in a drive, or state [pack] internal_resistance_mohm."
    )
    return replace(found, verdict="caution", why=why)


def _steady_current(machine: Machine) -> Finding:
    current, limit = continuous_current(machine), machine.pack.continuous_discharge_a
    if current is None or limit is None:
        keys = {("machine", "continuous_current_a"): current, ("pack", "continuous_discharge_a"): limit}
        return unknown(*absent(keys), unit="A", source=_PACK_SOURCE)
    why = f"{current.words}; the pack is rated {limit:g} A continuous."
    verdict = current.against(limit)
    if verdict != "ok":
        why += f" The BMS {'may' if current.is_bound else 'would'} trip in the middle of work." + current.remark
    return judged(verdict, why, _PACK_SOURCE, value=current.amperes, limit=limit, unit="A")


def _peak_current(machine: Machine, resistance: Resistance) -> Finding:
    found = peak(machine, nearly_empty_v(machine), resistance)
    pack = machine.pack
    if found is None:
        return unknown(_PEAK_KEY, unit="A", source=_PACK_SOURCE)
    if found.current is None:
        return _cannot_give(machine, found)
    source = _PACK_SOURCE if found.current.is_bound else f"{_PACK_SOURCE}; {found.resistance.source}"
    limit = pack.peak_discharge_a
    if limit is None:
        if pack.continuous_discharge_a is None or found.current.amperes > pack.continuous_discharge_a:
            note = f"The peak is {found.current.words}."
            return unknown(("pack", "peak_discharge_a"), unit="A", source=_PACK_SOURCE, note=note)
        limit, lasts = pack.continuous_discharge_a, "continuous"
    else:
        lasts = "peak" if pack.peak_discharge_s is None else f"for {pack.peak_discharge_s:g} s"
    empty = "" if found.current.is_bound else ", nearly empty"
    why = f"the peak is {found.current.words}{empty}; the pack is rated {limit:g} A {lasts}."
    verdict = found.current.against(limit)
    if verdict == "stop":
        why += " The BMS would trip on a hard pull: drive and electric brake are gone."
    elif verdict == "caution":
        why += " Limit the controller's current to that, or the BMS may trip on a hard pull."
    return judged(verdict, why, source, value=found.current.amperes, limit=limit, unit="A")


def _cannot_give(machine: Machine, found: Peak) -> Finding:
    most = found.open_v**2 / (4 * found.resistance.ohm)
    why = (
        f"a nearly empty pack ({found.resistance.words}) cannot give "
        f"{amount(machine.vehicle.peak_power_w or 0.0, 'W')} at all; its maximum is {amount(most, 'W')}."
    )
    return judged("stop", why, f"V * I = P at the pack; {_PACK_SOURCE}", unit="A")


def sag(machine: Machine) -> Finding:
    """Compare the voltage under the peak, at pack and controller, with both cut-offs."""
    return _by_estimate(machine, _sag)


def _sag(machine: Machine, resistance: Resistance) -> Finding:
    minimum, pack = machine.vehicle.minimum_voltage_v, machine.pack
    source = "open-circuit voltage less current times resistance of pack and wire, against the cut-offs"
    empty = peak(machine, nearly_empty_v(machine), resistance)
    half = peak(machine, pack.nominal_v, resistance)
    if empty is None or half is None or minimum is None:
        keys = [] if minimum is not None else [("machine", "minimum_voltage_v")]
        keys += [] if empty is not None else [_PEAK_KEY]
        return unknown(*keys, unit="V", source=source)
    source = f"{source}; {empty.resistance.source}"
    floor = max(minimum, lowest_pack_v(machine)[0])
    stops = f"{_stops(machine, by_controller=floor == minimum)} {floor:.3g} V"
    at_half, at_empty = _at_controller(machine, half), _at_controller(machine, empty)
    how = f"resistance: pack {empty.resistance.words}, wire {_wire_words(machine)}"
    if at_half is None or at_half < floor:
        why = f"even half full, the peak {_pulls(at_half)}; {stops}; {how}."
        bound = half.current is not None and half.current.is_bound
        why += " The peak is the most the controller can draw; measure the real one." if bound else ""
        return judged("caution" if bound else "stop", why, source, value=at_half, limit=floor, unit="V")
    if at_empty is None or at_empty < floor:
        why = f"nearly empty, the peak {_pulls(at_empty)}; {stops}: head back in time; {how}."
        return judged("caution", why, source, value=at_empty, limit=floor, unit="V")
    foldback = machine.vehicle.foldback_voltage_v
    fades = f", folding back below {foldback:g} V" if foldback is not None and at_empty < foldback else ""
    why = f"nearly empty, the peak {_pulls(at_empty)}; {stops}{fades}; {how}."
    return judged("ok", why, source, value=at_empty, limit=floor, unit="V")


def _pulls(volts: float | None) -> str:
    """Return what a peak does to the voltage; None where the pack cannot give it."""
    return "makes the voltage collapse" if volts is None else f"pulls the voltage down to {volts:.1f} V"


def _stops(machine: Machine, *, by_controller: bool) -> str:
    """Return what stops the machine when the voltage sags; a lead battery has no BMS."""
    if by_controller:
        return "the controller cuts out at"
    return "the BMS trips at" if machine.pack.cell.is_lithium else "the battery's minimum is"


def _at_controller(machine: Machine, found: Peak) -> float | None:
    """Return the voltage at the controller under a peak, V; None where the pack cannot give it."""
    if found.current is None or found.pack_v is None:
        return None
    wire = wire_loop_ohm(machine, hot_conductor_c(machine))
    volts = found.pack_v - found.current.amperes * (wire or 0.0)
    return volts if volts > 0 else None


def _wire_words(machine: Machine) -> str:
    wire = wire_loop_ohm(machine, hot_conductor_c(machine))
    return "not stated and not counted" if wire is None else f"{amount(1000 * wire, 'mΩ', 2)}"


def implement_start(machine: Machine) -> Finding:
    """Compare the start of an implement, by itself and while driving, with the pack's peak."""
    start, pack = machine.vehicle.implement_start_a, machine.pack
    limit, words = pack.peak_discharge_a, "peak"
    if limit is None:
        limit, words = pack.continuous_discharge_a, "continuous"
    if start is None or limit is None:
        keys = absent({("machine", "implement_start_a"): start, ("pack", "peak_discharge_a"): limit})
        note = "A deck motor draws 3 to 5 times its running current while it starts." if start is None else ""
        return unknown(*keys, unit="A", source=_START_SOURCE, note=note)
    known = machine.vehicle.continuous_current_a
    both = start if known is None else max(start, known + start * (1 - 1 / START_TO_RUNNING))
    gives = f"the pack is rated {limit:g} A {words}"
    if start > limit and pack.peak_discharge_a is None:
        note = f"The start draws {start:g} A; the pack is rated {limit:g} A continuous."
        return unknown(("pack", "peak_discharge_a"), unit="A", source=_START_SOURCE, note=note)
    if start > limit:
        why = f"starting the implement draws {start:g} A; {gives}: the BMS trips. Fit a soft start or a larger pack."
        return judged("stop", why, _START_SOURCE, value=start, limit=limit, unit="A")
    if (
        pack.peak_discharge_s is not None
        and pack.peak_discharge_s < START_S
        and both > (pack.continuous_discharge_a or limit)
    ):
        why = (
            "the start lasts a third of a second; the pack is rated for its peak for only "
            f"{pack.peak_discharge_s:g} s."
        )
        return judged("caution", why, _START_SOURCE, value=both, limit=limit, unit="A")
    if both > limit:
        why = (
            f"starting the implement draws {start:g} A, up to {both:.0f} A while working; {gives}. Start it at a "
            "standstill."
        )
        return judged("caution", why, _START_SOURCE, value=both, limit=limit, unit="A")
    on_top = "" if known is None else f", up to {both:.0f} A while working,"
    why = f"starting the implement draws {start:g} A{on_top} for a third of a second; {gives}."
    return judged("ok", why, _START_SOURCE, value=both, limit=limit, unit="A")
