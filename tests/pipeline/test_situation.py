"""What the machine is doing, with and without a speed signal, and wherever spans are cut."""

from __future__ import annotations

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from telemetry.model.batch import Batch, Group, Span
from telemetry.pipeline.situation import SituationLog

S = 1_000_000
PACK = Group("pack", "pack", ("pack_current",))
WHEELS = Group("wheels", "wheels", ("vehicle_speed",))


def log_of(
    currents: list[float], speeds: list[float] | None = None, cuts: tuple[int, ...] = (), into_a: float = 0.5
) -> list[str]:
    """One row a second; returns what each second was, asked once the run is over that second."""
    log, found, last = SituationLog(into_a), [], -1
    t = np.arange(len(currents), dtype=np.int64) * S
    batches = [Batch(PACK, t, np.array(currents, dtype=float).reshape(-1, 1))]
    if speeds is not None:
        batches.append(Batch(WHEELS, t, np.array(speeds, dtype=float).reshape(-1, 1)))
    for cut in [*sorted(cuts), (len(currents) - 1) * S]:
        inside = (t > last) & (t <= cut)
        log.take(Span(cut, tuple(b.rows(*_range(inside)) for b in batches if inside.any())))
        found += [log.at(int(each)) for each in t[inside]]
        last = cut
    return found


def _range(inside: np.ndarray) -> tuple[int, int]:  # type: ignore[type-arg]
    places = np.flatnonzero(inside)
    return int(places[0]), int(places[-1]) + 1


def test_nothing_known_counts_as_driving() -> None:
    log = SituationLog()
    log.take(Span(S))
    assert log.at(S) == "driving"


def test_current_alone_tells_driving_braking_charging_and_rest() -> None:
    found = log_of([0.1] * 3 + [40.0] * 5 + [-30.0] * 5 + [0.3] * 62 + [-20.0] * 4)
    assert found[2] == "resting"
    assert found[7] == "driving"
    assert found[9] == "braking"
    assert found[20] == "driving", "it may roll: a minute without current has to pass"
    assert found[74] == "resting"
    assert found[-1] == "charging", "current into a pack at rest comes from a charger"
    plugged_in = log_of([40.0] * 3 + [-20.0] * 130)
    assert plugged_in[30] == "braking", "it may roll down a long hill"
    assert plugged_in[-1] == "charging"


def test_noise_of_a_current_sensor_is_no_charge() -> None:
    assert "charging" not in log_of([0.2, -0.6, 0.1, -0.7, 0.3, -0.6] * 5, [0.0] * 30)


def test_nor_is_a_sensor_that_may_be_off_by_as_much() -> None:
    assert set(log_of([-0.9] * 30, [0.0] * 30, into_a=1.0)) == {"resting"}
    assert log_of([-0.9] * 30, [0.0] * 30)[-1] == "charging"


def test_speed_decides_where_it_is_sent() -> None:
    assert log_of([0.0] * 10, [8.0] * 10)[-1] == "driving", "coasting takes no current"
    assert log_of([-20.0] * 30, [-8.0] * 30)[-1] == "braking", "a long way downhill, in reverse"
    assert log_of([40.0] * 4 + [0.2] * 8, [8.0] * 4 + [0.0] * 8)[-1] == "resting"
    assert log_of([40.0] * 30, [0.0] * 4 + [float("nan")] * 26)[-1] == "driving", "a speed that stopped coming"


@given(
    st.lists(st.sampled_from([-20.0, 0.0, 1.5, 40.0]), min_size=2, max_size=90),
    st.sampled_from([None, 0.0, 8.0]),
    st.sets(st.integers(0, 88), max_size=10),
)
def test_it_does_not_depend_on_cuts(currents: list[float], speed: float | None, cuts: set[int]) -> None:
    speeds = None if speed is None else [speed if place % 17 < 3 else float("nan") for place in range(len(currents))]
    within = tuple(cut * S + 1 for cut in cuts if cut < len(currents) - 1)
    assert log_of(currents, speeds, within) == log_of(currents, speeds)
