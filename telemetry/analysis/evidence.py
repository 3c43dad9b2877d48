"""What is wrong with the evidence, looked at before any figure is made of it.

Each finding names what is wrong, in a sentence for the owner, and what to do about it. Figures that do not need the
faulty part still stand.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from telemetry.analysis.frozen_spans import spoken
from telemetry.analysis.gaps import GapRule
from telemetry.analysis.phase_grid import find_grid
from telemetry.analysis.series import Series, SessionSeries
from telemetry.analysis.session_power import AT_CONTROLLER, Flow, SessionPower, find_power
from telemetry.machine.chemistry import pack_window
from telemetry.machine.first_power_pack import cell_rest_v, fitting_counts
from telemetry.machine.pack_keys import Pack
from telemetry.machine.sections import Machine
from telemetry.model.batch import MICROSECONDS, Flags, Times
from telemetry.model.time_text import clock, length
from telemetry.model.words import counted

_LEAST_FLOW, _STUCK_ROWS = 4, 8
"""Rows: of current that show which way it counts, of nothing but zeros that show that a sensor is missing. Ours."""


# Ours.
_SHORT_S, _LONG_GAP_S, _STUCK_S = 60.0, 600.0, 120.0
_LEAST_STEPS, _TEST_Z = 8, 1.55
"""Load steps that a sign test takes, and half of 3.1, the deviations that chance exceeds once in a thousand."""
_FLOW_A, _FLOW_S = 0.3, 900.0
"""What flows steadily, and for how long, before the voltage must have followed it."""
_SUM_SHARE = 0.02
"""Cells and pack may differ by so much: two meters of 1 %, common practice."""
_LEAST_CHANGE_PCT = 10.0
"""Of the charge reported by the BMS: smaller ones are mostly rounding."""
_MOVED_A, _MOVED_V = 5.0, 0.02
"""Changes of current, and of the usual cell, at which another signal must have moved too."""
_ROWS_TO_MOVE = 30
_TEN = 3.0
"""A factor that parts a slip of the decimal point from an aged pack."""


@dataclass(frozen=True)
class Finding:
    """Something wrong with the evidence.

    Attributes:
        name: a word or two with hyphens, for scripts.
        sentence: what is wrong, one sentence.
        remedy: what to do, one sentence.
    """

    name: str
    sentence: str
    remedy: str


@dataclass(frozen=True)
class SignOfCurrent:
    """What load steps say of the sign of the current.

    Attributes:
        steps: how many were found.
        agreeing: at how many the voltage fell when the current out of the pack rose, as it must.
        resistance_ohm: median of -dV/dI over the steps, ohm; negative where the sign is wrong; None without steps.
    """

    steps: int
    agreeing: int
    resistance_ohm: float | None

    @property
    def wrong(self) -> bool:
        """Whether the steps show beyond reasonable doubt that charging current is counted positive.

        A sign test: with a right sign and readings so noisy that each step were a coin's toss, so few agreeing would
        come up once in a thousand (binomial; normal approximation).
        """
        if self.steps < _LEAST_STEPS:
            return False
        return bool(self.agreeing < 0.5 * self.steps - _TEST_Z * np.sqrt(self.steps))


def find_evidence(
    series: SessionSeries, machine: Machine | None = None, power: SessionPower | None = None
) -> list[Finding]:
    """Return what is wrong with the evidence in ``series``, against ``machine`` where one is given; worst first.

    Args:
        series: the session.
        machine: what the owner states; None: what needs it is not looked at.
        power: the session's power as :func:`find_power` gives it; made here where it is None.
    """
    power = power or find_power(series)
    return [
        *_missing(series, power),
        *_frozen(series),
        *_taken_over(series),
        *_sign(series, power),
        *_cells(series, machine),
        *_voltage_window(series, machine),
        *_capacity(series, power, machine),
        *_length(series),
        *_stuck(series),
    ]


def sign_of_current(series: SessionSeries, power: SessionPower | None = None) -> SignOfCurrent:
    """Return what load steps say: changes within 2 s of more than 5 A, or a tenth of the session's highest current.

    Current and voltage are averaged over a second each, so that a lag of half a second between the two does no harm.
    """
    voltage = series.get("pack_voltage") or series.get("controller_voltage")
    flow = (power or find_power(series)).current
    if voltage is None or flow is None or len(flow) < _LEAST_FLOW:
        return SignOfCurrent(0, 0, None)
    grid = find_grid(flow)
    amperes, volts = grid.values, grid.sampled(voltage)
    lag = grid.steps_in(2.0)
    if len(amperes) <= lag:
        return SignOfCurrent(0, 0, None)
    d_amperes, d_volts = amperes[lag:] - amperes[:-lag], volts[lag:] - volts[:-lag]
    high = float(np.nanquantile(np.abs(amperes), 0.99))
    least = max(0.1 * high, min(5.0, 0.3 * high))
    good = (np.abs(d_amperes) > least) & ~np.isnan(d_volts) & (d_volts != 0.0)
    places = np.flatnonzero(good)
    # the last place of each run: there the second after the step is compared, whole, with the one before
    apart = places[np.concatenate([np.diff(places) > 1, [True]])] if len(places) else places
    if not len(apart):
        return SignOfCurrent(0, 0, None)
    resistance = -d_volts[apart] / d_amperes[apart]
    return SignOfCurrent(len(apart), int((resistance > 0.0).sum()), float(np.median(resistance)))


def _missing(series: SessionSeries, power: SessionPower) -> Iterator[Finding]:
    if not series.signals:
        yield Finding("empty", "The session holds no values.", "Check the sources with `shakedown sources`.")
        return
    voltage, current = series.get("pack_voltage"), series.get("pack_current")
    if current is None and voltage is not None:
        yield Finding(
            "voltage-only",
            "The pack voltage was recorded but no current: charge, energy, power and resistance are not known.",
            "Record pack_current too, from the BMS or a shunt.",
        )
    elif current is None:
        yield Finding(
            "no-current",
            "No current was recorded: charge, energy, power and resistance are not known.",
            "Record pack_current, from the BMS or a shunt.",
        )
    at_controller = power.power is not None and power.place == "controller"
    known = f"energy and power are {AT_CONTROLLER}" if at_controller else "energy and power are not known"
    if voltage is None and series.cells is not None:
        yield Finding(
            "cells-without-pack-voltage",
            f"{len(series.cells.numbers)} cell voltages were recorded but no pack voltage: {known}.",
            "Record pack_voltage too; the cells may be read at another moment and cannot stand in for it.",
        )
    elif voltage is None and current is not None:
        yield Finding(
            "no-voltage",
            f"A current was recorded but no pack voltage: {known}.",
            "Record pack_voltage at the pack's terminals.",
        )


def _frozen(series: SessionSeries) -> Iterator[Finding]:
    for span in series.frozen:
        yield Finding(
            "frozen",
            span.sentence(series.origin),
            "Check that source's link, and whether the logger repeats old values when the source falls silent.",
        )


def _taken_over(series: SessionSeries) -> Iterator[Finding]:
    for each in series.taken_over:
        if each.learnt is None and each.signal in ("pack_current", "pack_voltage"):
            what = f"the {spoken([each.signal])[0]} for {length(each.seconds)} in place of {each.first}"
            yield Finding(
                "hand-over",
                f"{each.source} gave {what}, and by how much the two differ is not known.",
                "Leave both connected at rest for half a minute; or check both with a meter.",
            )


def _sign(series: SessionSeries, power: SessionPower) -> Iterator[Finding]:
    steps = sign_of_current(series, power)
    if steps.wrong:
        yield Finding(
            "sign-of-current",
            f"The voltage rises when the current out of the pack rises, at {steps.steps - steps.agreeing} of "
            f"{steps.steps} load steps: the source counts charging current as positive.",
            'Set sign_of_current = "charge-positive" at that [[source]] of the machine file, or flip the column.',
        )
        return
    slow = _slow_sign(series, power) if steps.steps < _LEAST_STEPS else None
    if slow is not None:
        yield slow


def _slow_sign(series: SessionSeries, power: SessionPower) -> Finding | None:
    """Return a finding where a long steady flow moves the voltage the wrong way; for sessions without load steps."""
    voltage, flow = series.get("pack_voltage"), power.current
    if voltage is None or flow is None:
        return None
    grid = find_grid(flow)
    amperes, volts = grid.values, grid.sampled(voltage)
    typical = float(np.nanmedian(amperes))
    steady = np.abs(amperes - typical) < 0.1 * abs(typical)
    steady &= ~np.isnan(volts)
    if abs(typical) < _FLOW_A or steady.sum() * grid.step_s < _FLOW_S:
        return None
    places = np.flatnonzero(steady)
    tenth = max(1, len(places) // 10)
    change = float(np.median(volts[places[-tenth:]]) - np.median(volts[places[:tenth]]))
    if change * typical <= 0.0 or abs(change) < 0.01 * float(np.median(volts[places])):
        return None
    word = "rises" if change > 0.0 else "falls"
    what = "a discharge" if typical > 0.0 else "a charge"
    return Finding(
        "sign-of-current",
        f"The voltage {word} by {abs(change):.1f} V during what the sign of the current calls {what}.",
        'Check sign_of_current at that [[source]] in the machine file ("discharge-positive" or "charge-positive").',
    )


def _cells(series: SessionSeries, machine: Machine | None) -> Iterator[Finding]:
    cells = series.cells
    if cells is None:
        return
    count = len(cells.numbers)
    if machine is not None and count != machine.pack.cells_in_series:
        yield Finding(
            "cell-count",
            f"The session has {count} cell voltages, the machine file states {machine.pack.cells_in_series} cells.",
            "Correct [pack] cells_in_series, or look why cells are missing or doubled; "
            "figures a cell are made from those that are there.",
        )
    voltage = series.get("pack_voltage")
    if voltage is None:
        return
    whole = ~np.isnan(cells.voltages).any(axis=1) & _near(voltage, cells.t)
    if not whole.any():
        return
    sums = cells.voltages.sum(axis=1)[whole]
    pack = np.interp(cells.t[whole], voltage.t, voltage.values)
    ratio = float(np.median(pack / sums))
    if abs(ratio - 1.0) > _SUM_SHARE:
        yield Finding(
            "cells-against-pack",
            f"The cells add up to {float(np.median(sums)):.2f} V, the pack shows {float(np.median(pack)):.2f} V.",
            "Hold a meter to the pack's terminals; the one that is wrong needs its scale set, "
            "or a cell is missing among the readings.",
        )


def _near(series: Series, t: Times) -> Flags:
    """Tell for each of ``t`` whether a row of ``series`` lies near on both sides; bool like ``t``."""
    most = max(3.0 * series.interval_s, 2.0) * MICROSECONDS if len(series.t) > 1 else 2.0 * MICROSECONDS
    after = np.clip(np.searchsorted(series.t, t), 0, len(series.t) - 1)
    before = np.clip(np.searchsorted(series.t, t, "right") - 1, 0, len(series.t) - 1)
    return np.asarray((np.abs(series.t[after] - t) <= most) & (np.abs(t - series.t[before]) <= most))


def fits_cells(voltage: Series, pack: Pack) -> bool:
    """Return whether the pack's voltage is one that the stated cells can have for long."""
    return pack.cell.may_show(float(np.median(voltage.values)) / pack.cells_in_series)


def _voltage_window(series: SessionSeries, machine: Machine | None) -> Iterator[Finding]:
    voltage = series.get("pack_voltage")
    if voltage is None or machine is None:
        return
    window = pack_window(machine.pack.cell, machine.pack.cells_in_series)
    typical = float(np.median(voltage.values))
    if not fits_cells(voltage, machine.pack):
        fitting = fitting_counts(cell_rest_v(machine.pack), typical)
        counts = fitting or (max(1, round(typical / machine.pack.cell.nominal_v)),)
        would_fit = " or ".join([*map(str, counts[:-1]), counted(counts[-1], "cell")])
        yield Finding(
            "voltage-against-chemistry",
            f"The pack shows {typical:.1f} V, but {machine.pack.cells_in_series} cells of {machine.pack.cell.label} "
            f"have between {window.low:.1f} and {window.high:.1f} V.",
            f"Check [pack] chemistry and cells_in_series (about {would_fit} would fit), or the voltage's scale.",
        )


def _capacity(series: SessionSeries, power: SessionPower, machine: Machine | None) -> Iterator[Finding]:
    if machine is None:
        return
    stated = machine.pack.capacity_ah
    flow = power.current
    if flow is None:
        return
    net = flow.out - flow.into
    swing = float(np.max(net) - np.min(net))
    remedy = "Check [pack] capacity_ah against the pack's nameplate, and the scale of the current."
    if swing > 1.25 * stated:
        what = f"The charge swung by {swing:.1f} Ah, more than the {stated:g} Ah that the machine file states."
        yield Finding("capacity", what, remedy)
        return
    told = _capacity_by_reported(series, flow)
    if told is not None and not stated / _TEN < told < stated * _TEN:
        yield Finding(
            "capacity",
            f"By the BMS's state of charge the pack has {told:.0f} Ah; the machine file states {stated:g} Ah.",
            remedy,
        )
        return
    voltage = series.get("pack_voltage")
    if told is None and voltage is not None and swing > 0.0:
        low, high = machine.pack.cell.knee_v, machine.pack.cell.charge_v
        cell = voltage.values / machine.pack.cells_in_series
        full = float(np.max(cell)) >= high - 0.05
        empty = float(np.quantile(cell, 0.05)) <= low
        if full and empty and swing < stated / _TEN / 2:
            yield Finding(
                "capacity",
                f"The voltage went from full to empty within {swing:.1f} Ah; the machine file states {stated:g} Ah.",
                remedy,
            )


def _capacity_by_reported(series: SessionSeries, flow: Flow) -> float | None:
    """Return the capacity that the BMS state of charge implies, Ah; None below a change of a tenth."""
    reported = series.get("soc_reported")
    if reported is None or len(reported.t) <= 1:
        return None
    highest, lowest = int(np.argmax(reported.values)), int(np.argmin(reported.values))
    change = float(reported.values[highest] - reported.values[lowest])
    if change < _LEAST_CHANGE_PCT:
        return None
    moments = np.array([reported.t[highest], reported.t[lowest]])
    charge = np.interp(moments, flow.t, flow.out - flow.into)
    return abs(float(charge[1] - charge[0])) / change * 100.0


def _length(series: SessionSeries) -> Iterator[Finding]:
    if series.signals and series.duration_s < _SHORT_S:
        yield Finding(
            "short",
            f"The session is {series.duration_s:.0f} s long: too short for most figures.",
            "Record at least some minutes of use; an hour shows most.",
        )
    for name in ("pack_current", "pack_voltage"):
        signal = series.get(name)
        if signal is None:
            continue
        bridged = GapRule().take(signal.t)
        intervals = np.diff(signal.t, prepend=signal.t[:1])
        for row in np.flatnonzero(~bridged & (intervals > _LONG_GAP_S * MICROSECONDS)):
            if any(span.start == signal.t[row - 1] and name in span.signals for span in series.frozen):
                continue  # told already
            start = (int(signal.t[row - 1]) - series.origin) / MICROSECONDS
            yield Finding(
                "gap",
                f"{name} has a gap of {length(intervals[row] / MICROSECONDS)} from {clock(start)} on: "
                "what flowed meanwhile is in no total.",
                "Take what lies before and after as two sessions; state of charge across the gap is a guess.",
            )
        break  # one signal's gaps tell it: the other's are the same in all but odd cases


def _stuck(series: SessionSeries) -> Iterator[Finding]:
    current, voltage = series.get("pack_current"), series.get("pack_voltage")
    if current is not None and _never_moves(current):
        value = float(current.values[0])
        moved = voltage is not None and float(np.ptp(voltage.values)) > 0.02 * float(np.median(voltage.values))
        if value != 0.0 or moved:
            yield Finding(
                "stuck",
                f"pack_current shows {value:g} A from beginning to end"
                + (", while the voltage moves as under load." if moved else "."),
                "Look at the sensor and its link; what rests on the current cannot be trusted.",
            )
    moves = current is not None and float(np.ptp(current.values)) > _MOVED_A
    if voltage is not None and moves and _never_moves(voltage):
        yield Finding(
            "stuck",
            f"pack_voltage shows {float(voltage.values[0]):g} V from beginning to end, while the current moves.",
            "Look at the link: the value may be an old one sent again and again.",
        )
    yield from _stuck_cells(series)
    for name, signal in series.signals.items():
        if name.startswith("pack_temperature_") and len(signal.t) > _STUCK_ROWS and not signal.values.any():
            yield Finding(
                "stuck", f"{name} shows 0 °C all the time: there may be no sensor.", "Leave it out at the source."
            )


def _stuck_cells(series: SessionSeries) -> Iterator[Finding]:
    cells = series.cells
    if cells is None or len(cells.t) < _ROWS_TO_MOVE:
        return
    with np.errstate(invalid="ignore"):
        spans = np.nanmax(cells.voltages, axis=0) - np.nanmin(cells.voltages, axis=0)
    if float(np.median(spans)) < _MOVED_V:
        return
    dead = [number for number, span in zip(cells.numbers, spans.tolist(), strict=True) if span == 0.0]
    if dead:
        names = ", ".join(str(number) for number in dead)
        yield Finding(
            "stuck",
            f"Cell {names} shows the same voltage all the time, while the others move.",
            "Look at the sense wire and the pack's electronics; figures of that cell cannot be trusted.",
        )


def _never_moves(signal: Series) -> bool:
    long = (int(signal.t[-1]) - int(signal.t[0])) / MICROSECONDS >= _STUCK_S
    return long and float(np.ptp(signal.values)) == 0.0
