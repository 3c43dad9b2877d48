"""Why a cause is likely or not: sentences with numbers, times in seconds from the start."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from math import isnan

from telemetry.analysis.fault_isolation.blame import HELD, Blame, folds
from telemetry.analysis.fault_isolation.drag_odds import LEAST_EARLIER
from telemetry.analysis.fault_isolation.drive import STEP_S
from telemetry.analysis.fault_isolation.findings import Cause
from telemetry.analysis.fault_isolation.force_balance import GRAVITY
from telemetry.analysis.fault_isolation.observations import Observations
from telemetry.machine.sections import Machine


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
    shown = [f"{start + row * STEP_S:.1f}" for row in rows[:4]]
    more = f" and {len(rows) - 4} more" if len(rows) > 4 else ""
    return f"at {', '.join(shown)} s{more}"


def _count(number: int, thing: str) -> str:
    return f"{number} {thing}" if number == 1 else f"{number} {thing}s"


def _healthy(o: Observations, b: Blame) -> Iterator[str]:
    if b.events:
        yield f"{_count(len(b.events), 'event')} in the drive need another explanation"
        return
    if o.response is not None:
        yield (
            f"the current follows pedal and speed after {o.response.delay_s:.2f} s, and "
            f"{o.response.explained:.0%} of "
            "it is explained by them"
        )
    yield "nothing happened that a part would have to answer for"


def _pedal(o: Observations) -> Iterator[str]:
    pedal, limits = o.pedal, o.limits
    if limits is None:
        yield "the pedal's signal was not recorded, or is no evidence"
        return
    if pedal is None:
        yield "the pedal's signal is too slow to show a drop-out of 0.2 s"
        return
    if not pedal.faults:
        yield (
            f"every movement of the pedal is one that a foot can make; its signal rests at {limits.rest:.2f} "
            "V and ends "
            f"at {limits.top:.2f} V"
        )
        return
    first = pedal.faults[0]
    yield (
        f"{_count(len(pedal.faults), 'time')} the pedal's signal jumps by {abs(first.depth):.0%} of its "
        "travel or about "
        f"that between two readings and jumps back, which no foot can do, first at {first.t:.1f} s"
    )
    if pedal.band is not None:
        low, high = pedal.band
        yield f"it leaves at {low:.0%} to {high:.0%} of travel, which the pedal crossed {pedal.crossings} times"
    below = sum(fault.below_rest for fault in pedal.faults)
    if below:
        yield f"{below} of them fall below the resting {limits.rest:.2f} V: the wiper or the wire opens"


def _controller(o: Observations, b: Blame) -> Iterator[str]:
    if o.response is None:
        yield "without pedal and current side by side the controller cannot be judged"
        return
    rows = [s.start for s in b.solid] + [s.start for s in b.other_stops]
    if o.fold is not None and folds(o):
        yield (
            f"from {float(o.drive.t[0]) + o.fold.start * STEP_S:.0f} s on it gave less and less for the same pedal "
            f"and speed: {min(o.fold.lost, 1):.0%} of its output less at the end, with the supply there; is it hot?"
        )
    if not rows:
        if not folds(o):
            yield f"the current followed the pedal all along, {o.response.delay_s:.2f} s behind it"
        return
    yield f"{_count(len(rows), 'time')} the current fell away with the pedal held: {_times(o, sorted(rows))}"
    if b.solid:
        worst = max(b.solid, key=lambda s: s.significance)
        yield (
            f"the pedal asked for {worst.asked:.0f} A beyond the other consumers and {min(worst.missing, 1):.0%} "
            "of it "
            f"did not come, {worst.significance:.0f} times what the fit leaves"
        )
    if o.drive.get("discharge_allowed") is not None and not b.low_trips and not b.high_trips:
        yield "the pack's own switch stayed closed, and the voltage rose, as it does when a load goes away"
    if o.drive.get("enable_voltage") is None:
        yield "the enable line was not recorded: a seat, brake or key switch looks exactly the same"


def _connection(o: Observations, b: Blame) -> Iterator[str]:
    path = o.path
    if path is not None:
        yield (
            f"the way to the controller has {path.resistance * 1000:.0f} milliohm, which costs {path.sag:.1%} of the "
            f"voltage at {path.top_current:.0f} A"
        )
        if path.growth > 2:
            yield (
                f"under load the voltage jitters {path.growth:.0f} times as much as at rest "
                f"({path.noise_loaded:.2f} V), "
                f"so the resistance itself wobbles by {path.wobble:.0%}: cells do not do that, a loose joint does"
            )
        else:
            yield f"the voltage is as calm under load as at rest ({path.growth:.1f} times), so no joint is loose"
    elif not b.openings:
        yield "without voltage and a changing current the path cannot be judged"
    if b.openings:
        shortest = min(loss.duration_s for loss in b.openings)
        yield (
            f"{_count(len(b.openings), 'time')} the controller lost its supply, for {shortest:.2f} s and "
            "longer, while "
            f"the pack's switch did not open: {_times(o, [loss.start for loss in b.openings])}"
        )


def _weak(o: Observations, b: Blame, features: Mapping[str, float], machine: Machine | None) -> Iterator[str]:
    path = o.path
    if b.low_stops:
        volts = sorted(stop.voltage_before for stop in b.low_stops)
        yield (
            f"{_count(len(b.low_stops), 'time')} all current stopped with the pedal held, each at the lowest "
            "voltage of "
            f"the drive ({volts[0]:.1f} to {volts[-1]:.1f} V): {_times(o, [s.start for s in b.low_stops])}"
        )
    if b.low_trips:
        yield (
            f"{_count(len(b.low_trips), 'time')} the pack's switch opened at low voltage, "
            f"{_times(o, [x.start for x in b.low_trips])}"
        )
        yield from _thresholds(b)
    if o.held > HELD:
        yield (
            f"where the voltage was lowest it should have changed {o.held:.0f} times as much with the current as it "
            "did: the controller gave less so as to hold it"
        )
    elif not b.low_stops and not b.low_trips:
        yield "nothing stopped at a low voltage"
    if path is not None:
        yield f"the voltage sags by {path.sag:.1%} at {path.top_current:.0f} A"
    cell = features.get("cell_low", float("nan"))
    if cell == cell and machine is not None:
        yield (
            f"the lowest cell went down to {cell:.2f} V; {machine.pack.cell.title} ends at "
            f"{machine.pack.cell.minimum_v:.2f} V and has little left below {machine.pack.cell.low_warn_v:.2f} V"
        )
    elif cell == cell:
        yield f"the lowest cell went down to {cell:.2f} V"


def _thresholds(b: Blame) -> Iterator[str]:
    """Yield how well either threshold explains the openings of the pack's switch."""
    found = b.threshold
    if found is not None:
        yield (
            f"a highest current explains these openings within {found.by_current:.1f} A; a lowest voltage within "
            f"what {found.by_voltage:.1f} A make it fall; the voltage was {found.depth:.1%} below that at rest"
        )


def _switch(o: Observations, b: Blame) -> Iterator[str]:
    if b.high_trips:
        amps = sorted(loss.current_before for loss in b.high_trips)
        waits = sorted(loss.duration_s for loss in b.high_trips)
        yield (
            f"{_count(len(b.high_trips), 'time')} the pack's own switch opened at {amps[0]:.0f} to "
            f"{amps[-1]:.0f} A and "
            f"closed after {waits[0]:.0f} to {waits[-1]:.0f} s: {_times(o, [x.start for x in b.high_trips])}"
        )
        yield from _thresholds(b)
    if b.brake_trips:
        yield f"{_count(len(b.brake_trips), 'time')} it opened while braking charged the pack"
    if not b.high_trips and not b.brake_trips:
        if o.drive.get("discharge_allowed") is None:
            yield "the pack's switch was not recorded; a loss of supply for seconds would show it, and there was none"
        elif b.low_trips:
            yield "the pack's switch opened, but at a low voltage: it only did its duty"
        else:
            yield "the pack's switch stayed closed throughout"


def _drag(o: Observations, earlier: Sequence[float]) -> Iterator[str]:
    force = o.resistance
    if force is None:
        yield "pedal and speed under power for a quarter of a minute and more are needed to weigh the drag"
        return
    weighed = force.mean if isnan(force.by_power) else force.by_power
    surely = "" if isnan(force.by_power) else f", give or take {max(force.by_power_deviation, 0.005):.1%}"
    yield (
        f"against the motion stand {weighed:.1%} of the machine's weight on average{surely}, as on a slope of "
        f"{weighed:.0%} ({weighed * GRAVITY:.1f} m/s²); tyres on turf take 4 to 9 %, and slopes cancel over a drive"
    )
    if not isnan(force.by_power):
        yield f"that is by the electrical power; by the pedal it is {force.mean:.0%}"
    if len(earlier) >= LEAST_EARLIER:
        yield f"on {len(earlier)} earlier drives of this machine it was {min(earlier):.1%} to {max(earlier):.1%}"
    yield f"along the drive it varies from {force.low:.0%} to {force.high:.0%} by the pedal, slopes included"
