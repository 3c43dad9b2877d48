"""Why a cause is likely or not: sentences with numbers."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from math import isnan

from telemetry.analysis.fault_isolation.blame import HELD, Blame, folds
from telemetry.analysis.fault_isolation.drag_odds import LEAST_EARLIER
from telemetry.analysis.fault_isolation.drive import STEP_S
from telemetry.analysis.fault_isolation.findings import Cause
from telemetry.analysis.fault_isolation.force_balance import GRAVITY
from telemetry.analysis.fault_isolation.observations import Observations
from telemetry.analysis.ranges import Z90
from telemetry.machine.sections import Machine
from telemetry.model.number_text import fixed
from telemetry.model.time_text import clock


def reasons(
    cause: Cause,
    o: Observations,
    b: Blame,
    features: Mapping[str, float],
    machine: Machine | None,
    earlier: Sequence[float] = (),
) -> Iterator[str]:
    """Yield the sentences for one cause; ``earlier`` as in :func:`isolate`."""
    if cause == "healthy":
        yield from _healthy(o, b)
    elif cause == "pedal-sensor":
        yield from _pedal(o)
    elif cause == "controller":
        yield from _controller(o, b)
    elif cause == "power-connection":
        yield from _connection(o, b)
    elif cause == "pack-weak":
        yield from _weak(o, b, features, machine)
    elif cause == "bms-trip":
        yield from _switch(o, b)
    else:
        yield from _drag(o, earlier)


def _times(o: Observations, rows: Sequence[int]) -> str:
    start = float(o.drive.t[0])
    shown = [clock(start + row * STEP_S, tenths=True) for row in rows[:4]]
    more = f" and {len(rows) - 4} more" if len(rows) > 4 else ""
    return f"at {', '.join(shown)}{more}"


def _count(number: int, thing: str) -> str:
    return f"{number} {thing}" if number == 1 else f"{number} {thing}s"


def _often(number: int) -> str:
    return "once" if number == 1 else f"{number} times"


def _healthy(o: Observations, b: Blame) -> Iterator[str]:
    if b.events:
        yield f"{_count(len(b.events), 'event')} in the drive would have no explanation"
        return
    if o.response is not None:
        yield (
            f"the current follows throttle and speed after {o.response.delay_s:.2f} s; they explain "
            f"{100 * o.response.explained:.0f} % of it"
        )
    yield "no event points to a part"


def _pedal(o: Observations) -> Iterator[str]:
    pedal, limits = o.pedal, o.limits
    if limits is None:
        yield "the throttle signal was not recorded or cannot be used"
        return
    if pedal is None:
        yield "the throttle is sampled too slowly to show a drop-out of 0.2 s"
        return
    if not pedal.faults:
        yield (
            f"the throttle signal moves no faster than a driver can press, from {limits.rest:.2f} V at rest to "
            f"{limits.top:.2f} V at the stop"
        )
        return
    first = pedal.faults[0]
    yield (
        f"the throttle signal jumped by about {100 * abs(first.depth):.0f} % of its travel and back between two "
        f"readings, faster than a driver can press, {_often(len(pedal.faults))}; first at "
        f"{clock(first.t, tenths=True)}"
    )
    if pedal.band is not None:
        low, high = pedal.band
        yield (
            f"it fails at {100 * low:.0f} to {100 * high:.0f} % of travel; the throttle passed there "
            f"{_often(pedal.crossings)}"
        )
    below = sum(fault.below_rest for fault in pedal.faults)
    if below:
        yield f"{below} of them drop below the {limits.rest:.2f} V at rest: open circuit at the wiper or wire"


def _controller(o: Observations, b: Blame) -> Iterator[str]:
    if o.response is None:
        yield "without throttle and current together the controller cannot be judged"
        return
    rows = [s.start for s in b.solid] + [s.start for s in b.other_stops]
    if o.fold is not None and folds(o):
        yield (
            f"from {clock(float(o.drive.t[0]) + o.fold.start * STEP_S)} on it folded back at the same throttle and "
            f"speed: {100 * min(o.fold.lost, 1):.0f} % less current at the end, with full supply; check for heat"
        )
    if not rows:
        if not folds(o):
            yield f"the current always followed the throttle, {o.response.delay_s:.2f} s behind it"
        return
    yield f"the current dropped with the throttle held {_often(len(rows))}, {_times(o, sorted(rows))}"
    if b.solid:
        worst = max(b.solid, key=lambda s: s.significance)
        yield (
            f"the throttle asked for {worst.asked:.0f} A and {100 * min(worst.missing, 1):.0f} % of it was missing, "
            f"{worst.significance:.0f} times the usual scatter"
        )
    if o.drive.get("discharge_allowed") is not None and not b.low_trips and not b.high_trips:
        yield "the BMS did not trip, and the voltage rose as it does when a load is released"
    if o.drive.get("enable_voltage") is None:
        yield "the enable line was not recorded: a seat, brake or key switch looks the same"


def _connection(o: Observations, b: Blame) -> Iterator[str]:
    path = o.path
    if path is not None:
        yield (
            f"the path to the controller has {path.resistance * 1000:.0f} mΩ: {100 * path.sag:.1f} % voltage drop "
            f"at {path.top_current:.0f} A"
        )
        if path.growth > 2:
            yield (
                f"under load the voltage jitters {path.growth:.0f} times as much as at rest "
                f"({path.noise_loaded:.2f} V), "
                f"so the resistance changes by {100 * path.wobble:.0f} %: that is a loose joint, not the cells"
            )
        else:
            yield f"the voltage is as steady under load as at rest ({path.growth:.1f} times): no loose joint"
    elif not b.openings:
        yield "without voltage and a changing current the path cannot be judged"
    if b.openings:
        shortest = min(loss.duration_s for loss in b.openings)
        yield (
            f"the controller lost its supply {_often(len(b.openings))}, for {shortest:.2f} s or longer, without a "
            "BMS trip, "
            f"{_times(o, [loss.start for loss in b.openings])}"
        )


def _weak(o: Observations, b: Blame, features: Mapping[str, float], machine: Machine | None) -> Iterator[str]:
    path = o.path
    if b.low_stops:
        volts = sorted(stop.voltage_before for stop in b.low_stops)
        yield (
            f"all current stopped with the throttle held {_often(len(b.low_stops))}, at the lowest voltage of the "
            f"drive ({volts[0]:.1f} to {volts[-1]:.1f} V), "
            f"{_times(o, [s.start for s in b.low_stops])}"
        )
    if b.low_trips:
        yield (
            f"the BMS tripped at low voltage {_often(len(b.low_trips))}, {_times(o, [x.start for x in b.low_trips])}"
        )
        yield from _thresholds(b)
    if o.held > HELD:
        yield (
            f"at its lowest the voltage changed {o.held:.0f} times less with current than elsewhere: the controller "
            "folded back to hold it"
        )
    elif not b.low_stops and not b.low_trips:
        yield "nothing stopped at a low voltage"
    if path is not None:
        yield f"the voltage sags by {100 * path.sag:.1f} % at {path.top_current:.0f} A"
    cell = features.get("cell_low", float("nan"))
    if cell == cell and machine is not None:
        yield (
            f"the lowest cell went down to {cell:.2f} V; an {machine.pack.cell.label} cell is empty at "
            f"{machine.pack.cell.minimum_v:.2f} V and nearly empty below {machine.pack.cell.low_warn_v:.2f} V"
        )
    elif cell == cell:
        yield f"the lowest cell went down to {cell:.2f} V"


def _thresholds(b: Blame) -> Iterator[str]:
    """Yield how well either threshold explains the BMS trips."""
    found = b.threshold
    if found is not None:
        yield (
            f"a current limit explains these trips to within {found.by_current:.1f} A, a voltage cut-off to within "
            f"the sag of {found.by_voltage:.1f} A; the voltage was {100 * found.depth:.1f} % below rest"
        )


def _switch(o: Observations, b: Blame) -> Iterator[str]:
    if b.high_trips:
        amps = sorted(loss.current_before for loss in b.high_trips)
        waits = sorted(loss.duration_s for loss in b.high_trips)
        yield (
            f"the BMS tripped {_often(len(b.high_trips))} at {amps[0]:.0f} to {amps[-1]:.0f} A and "
            f"closed again after {waits[0]:.0f} to {waits[-1]:.0f} s, {_times(o, [x.start for x in b.high_trips])}"
        )
        yield from _thresholds(b)
    if b.brake_trips:
        yield f"the BMS tripped during regenerative braking {_often(len(b.brake_trips))}"
    if not b.high_trips and not b.brake_trips:
        if o.drive.get("discharge_allowed") is None:
            yield "discharge_allowed was not recorded; a trip would show as a loss of supply, and there was none"
        elif b.low_trips:
            yield "the BMS tripped, but at low voltage, as it should"
        else:
            yield "the BMS never tripped"


def _drag(o: Observations, earlier: Sequence[float]) -> Iterator[str]:
    force = o.resistance
    if force is None:
        yield "it takes 15 s of throttle and speed under power to measure the drag"
        return
    weighed = force.mean if isnan(force.by_power) else force.by_power
    half = "" if isnan(force.by_power) else f" ± {100 * Z90 * max(force.by_power_deviation, 0.005):.1f}"
    yield (
        f"rolling resistance and drag take {fixed(100 * weighed, 1)}{half} % of the machine's weight on average "
        f"({fixed(weighed * GRAVITY, 1)} m/s²); tyres on turf take 4 to 9 %, and slopes cancel over a drive"
    )
    if not isnan(force.by_power):
        yield f"this is from the electrical power; from the throttle it is {fixed(100 * force.mean, 0)} %"
    if len(earlier) >= LEAST_EARLIER:
        least, most = (fixed(100 * each, 1) for each in (min(earlier), max(earlier)))
        yield f"on {len(earlier)} earlier drives of this machine it was {least} to {most} %"
    low, high = (fixed(100 * each, 0) for each in (force.low, force.high))
    yield f"during the drive it ranged from {low} to {high} % by the throttle, slopes included"
