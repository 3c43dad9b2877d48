"""Why a cause is likely or not: sentences with numbers."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from typing import Any

import numpy as np

from telemetry.analysis.fault_isolation.compare import Comparison
from telemetry.analysis.fault_isolation.findings import Cause
from telemetry.analysis.fault_isolation.force_balance import GRAVITY, LEAST_EARLIER
from telemetry.analysis.ranges import Z90
from telemetry.machine.sections import Machine
from telemetry.model.time_text import clock
from telemetry.model.words import fixed

_SAID = 4  # times that are listed
_GROWN = 2.0


def reasons(cause: Cause, found: Comparison, machine: Machine | None, earlier: Sequence[float] = ()) -> Iterator[str]:
    """Yield the sentences for one cause; ``earlier`` as in :func:`isolate`."""
    if cause == "mechanical-drag":
        yield from _drag(found, earlier)
    elif cause == "pack-weak":
        yield from _weak(found, machine)
    else:
        yield from _OTHERS[cause](found)


def _of(found: Comparison, name: str) -> list[tuple[float, Any]]:
    """Return the events of one kind in all pieces, each with its time, s."""
    return [(o.at(each.start), each) for o in found.parts for each in getattr(o, name)]


def _times(events: Sequence[tuple[float, Any]]) -> str:
    times = [t for t, _ in events]
    shown = [clock(t, tenths=True) for t in sorted(times)[:_SAID]]
    more = f" and {len(times) - _SAID} more" if len(times) > _SAID else ""
    return f"at {', '.join(shown)}{more}"


def _often(number: int) -> str:
    return "once" if number == 1 else f"{number} times"


def _healthy(found: Comparison) -> Iterator[str]:
    count = len(found.pedal) + sum(len(_of(found, kind)) for kind in ("failings", "drawing", "braking", "openings"))
    if count:
        yield f"{count} event{'s' if count > 1 else ''} in the drive would have no explanation"
        return
    best = max((o.response for o in found.parts if o.response), key=lambda r: r.explained, default=None)
    if best is not None:
        yield (
            f"the current follows throttle and speed after {best.delay_s:.2f} s; they explain "
            f"{100 * best.explained:.0f} % of it"
        )
    yield "no event points to a part"


def _pedal(found: Comparison) -> Iterator[str]:
    limits = next((o.limits for o in found.parts if o.limits is not None), None)
    faults = found.pedal
    if limits is None:
        yield "the throttle signal was not recorded or cannot be used"
    elif all(o.pedal is None for o in found.parts):
        yield "the throttle is sampled too slowly to show a drop-out of 0.2 s"
    elif not faults:
        yield (
            f"the throttle signal moves no faster than a driver can press, from {limits.rest:.2f} V at rest to "
            f"{limits.top:.2f} V at the stop"
        )
    else:
        first = faults[0]
        yield (
            f"the throttle signal jumped by about {100 * abs(first.depth):.0f} % of its travel and back between two "
            f"readings, faster than a driver can press, {_often(len(faults))}; first at {clock(first.t, tenths=True)}"
        )
        if len(faults) > 1:
            low, high = np.quantile([fault.travel for fault in faults], [0.1, 0.9])
            yield f"it fails at {100 * low:.0f} to {100 * high:.0f} % of travel"
        below = sum(fault.kind == "below rest" for fault in faults)
        if below:
            yield f"{below} of them drop below the {limits.rest:.2f} V at rest: open circuit at the wiper or wire"


def _controller(found: Comparison) -> Iterator[str]:
    answers = [o.response for o in found.parts if o.response is not None]
    if "controller" not in found.covered or not answers:
        yield "without throttle and current together at 5 Hz or faster the controller cannot be judged"
        return
    for o in found.parts:
        fold = o.fold
        if fold is not None and o.folds_back:
            yield (
                f"from {clock(o.at(fold.start))} on it folded back at the same throttle and speed: "
                f"{100 * min(fold.lost, 1):.0f} % less current at the end, with full supply; check for heat"
            )
            break
    drops = _of(found, "failings")
    if not drops:
        yield f"the current followed the throttle, {answers[0].delay_s:.2f} s behind it"
        return
    yield f"the current dropped with the throttle held {_often(len(drops))}, {_times(drops)}"
    worst = max((each for _, each in drops), key=lambda short: short.significance)
    yield (
        f"the throttle asked for {worst.asked:.0f} A and {100 * min(worst.missing, 1):.0f} % of it was missing, "
        f"{worst.significance:.0f} times the usual scatter"
    )
    drives = [o.drive for o in found.parts]
    if drives[0].get("discharge_allowed") is not None and not _of(found, "drawing"):
        yield "the BMS did not trip, and the voltage rose as it does when a load is released"
    if drives[0].get("enable_voltage") is None:
        yield "the enable line was not recorded: a seat, brake or key switch looks the same"


def _connection(found: Comparison) -> Iterator[str]:
    path = max((o.path for o in found.parts if o.path is not None), key=lambda each: each.joint, default=None)
    if path is not None and "power-connection" in found.covered:
        yield (
            f"the path to the controller has {path.resistance * 1000:.0f} mΩ: {100 * path.sag:.1f} % voltage drop "
            f"at {path.top_current:.0f} A"
        )
        if path.joint > _GROWN:
            yield (
                f"under load the resistance changes by {100 * path.wobble:.0f} % from moment to moment "
                f"({path.wobble * path.resistance * path.top_current:.2f} V): that is a loose joint, not the cells"
            )
        else:
            yield "the voltage is as steady under load as at rest: no loose joint"
    else:
        yield "without controller_voltage and a changing current the path cannot be judged"
    lost = [o.lost for o in found.parts if o.lost == o.lost]
    if lost:
        yield (
            f"{100 * max(*lost, 0.0):.1f} % of the pack's voltage is lost on the way to the controller at high "
            "current; cable, fuse and contactor take about 1 %"
        )
    if openings := _of(found, "openings"):
        shortest = min(loss.duration_s for _, loss in openings)
        yield (
            f"the controller lost its supply {_often(len(openings))}, for {shortest:.2f} s or longer, without a BMS "
            f"trip, {_times(openings)}"
        )


def _weak(found: Comparison, machine: Machine | None) -> Iterator[str]:
    low = [(o.at(e.start), e) for o in found.parts for e in o.failings if found.is_low(o, e)]
    if low:
        yield (
            f"the current stopped with the throttle held {_often(len(low))}, at the lowest voltage of the drive "
            f"(below about {found.low_limit:.1f} V), {_times(low)}"
        )
    tripped = _of(found, "drawing")
    if tripped and found.by_voltage > 0:
        yield f"the BMS tripped at low voltage {_often(len(tripped))}, {_times(tripped)}"
    elif tripped:
        yield f"the BMS tripped {_often(len(tripped))}, which a limit of the voltage explains less well"
    if not low and not tripped:
        yield "nothing stopped at a low voltage"
    path = max((o.path for o in found.parts if o.path is not None), key=lambda each: each.sag, default=None)
    if path is not None:
        yield f"the voltage sags by {100 * path.sag:.1f} % at {path.top_current:.0f} A"
    cell = found.lowest_cell()
    if cell == cell:
        yield f"the lowest cell went down to {cell:.2f} V" + (
            ""
            if machine is None
            else f"; an {machine.pack.cell.label} cell is empty at {machine.pack.cell.minimum_v:.2f} V and nearly "
            f"empty below {machine.pack.cell.low_warn_v:.2f} V"
        )


def _switch(found: Comparison) -> Iterator[str]:
    drawing, braking = _of(found, "drawing"), len(_of(found, "braking"))
    if drawing and not found.by_voltage > 0:
        amps = sorted(loss.current_before for _, loss in drawing)
        waits = sorted(loss.duration_s for _, loss in drawing)
        yield (
            f"the BMS tripped {_often(len(drawing))} at {amps[0]:.0f} to {amps[-1]:.0f} A and closed again after "
            f"{waits[0]:.0f} to {waits[-1]:.0f} s, {_times(drawing)}"
        )
        yield (
            f"a limit of the current explains that {np.exp(min(-found.by_voltage, 7)):.0f} times as well as one of "
            "the voltage"
        )
    if braking:
        yield f"the BMS tripped during regenerative braking {_often(braking)}"
    if not drawing and not braking:
        if "bms-trip" not in found.covered:
            yield "neither discharge_allowed nor the voltage at the controller was recorded: a trip does not show"
        elif found.parts[0].drive.get("discharge_allowed") is None:
            yield "discharge_allowed was not recorded; a trip would show as a loss of supply, and there was none"
        else:
            yield "the BMS never tripped"
    elif drawing and found.by_voltage > 0:
        yield "the BMS tripped, but at low voltage, as it should"


def _drag(found: Comparison, earlier: Sequence[float]) -> Iterator[str]:
    forces = [o.force for o in found.parts if o.force is not None]
    if not forces:
        yield "it takes 15 s of throttle, current, voltage and speed under power to measure the drag"
        return
    mean = float(np.mean([force.mean for force in forces]))
    deviation = float(np.mean([force.deviation**2 for force in forces]) / len(forces)) ** 0.5
    yield (
        f"rolling resistance and drag take {fixed(100 * mean, 1)} ± {100 * Z90 * max(deviation, 0.005):.1f} % of the "
        f"machine's weight on average ({fixed(mean * GRAVITY, 1)} m/s²), by the electrical power; tyres on turf take "
        "4 to 9 %, and slopes cancel over a drive"
    )
    if len(earlier) >= LEAST_EARLIER:
        least, most = (fixed(100 * each, 1) for each in (min(earlier), max(earlier)))
        yield f"on {len(earlier)} earlier drives of this machine it was {least} to {most} %"


_OTHERS: Mapping[Cause, Callable[[Comparison], Iterator[str]]] = {
    "healthy": _healthy,
    "pedal-sensor": _pedal,
    "controller": _controller,
    "power-connection": _connection,
    "bms-trip": _switch,
}
