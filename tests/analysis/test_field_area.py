"""Distances and areas against published values of geodesics and against plane figures that a ruler could measure.

From outside: geographiclib 2.1 (C. F. F. Karney's geodesics), shapely (a plane polygon). The lawns are made up.
"""

from __future__ import annotations

import numpy as np
import pytest
from geographiclib.geodesic import Geodesic
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely import Polygon

from telemetry.analysis.field_area import (
    find_field_area,
    find_track,
    local_metres,
    swath_area,
)
from telemetry.analysis.series import Series, SessionSeries

HOME = (47.3, 8.2)


def series_of(seconds: np.ndarray, **columns: np.ndarray) -> SessionSeries:
    t = np.round(seconds * 1e6).astype(np.int64)
    signals = {name: Series(t, np.asarray(values, dtype=np.float64)) for name, values in columns.items()}
    return SessionSeries("made up", int(t[0]), int(t[-1]), 0, "relative", signals, None)


def lawn(rows: int, length: float, width: float, speed: float = 1.4) -> tuple[np.ndarray, np.ndarray]:
    """Return metres east and north, each second, of rows driven to and fro."""
    corners = []
    for row in range(rows):
        ends = (0.0, length) if row % 2 == 0 else (length, 0.0)
        corners += [(ends[0], row * width), (ends[1], row * width)]
    way = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(np.array(corners), axis=0).T))])
    along = np.append(np.arange(0.0, way[-1], speed), way[-1])
    return np.interp(along, way, [c[0] for c in corners]), np.interp(along, way, [c[1] for c in corners])


def on_earth(east: np.ndarray, north: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return latitude and longitude of points on a plane at HOME, by geodesics."""
    points = [
        Geodesic.WGS84.Direct(*HOME, np.degrees(np.arctan2(e, n)), np.hypot(e, n))
        for e, n in zip(east, north, strict=True)
    ]
    return np.array([p["lat2"] for p in points]), np.array([p["lon2"] for p in points])


class TestPublished:
    def test_degrees_at_the_equator(self) -> None:
        # geographiclib 2.1: 111 319.491 and 110 574.389 m; the first whole degree north is a millionth longer.
        east, north = local_metres(np.array([-0.01, 0.01]), np.array([-0.01, 0.01]))
        assert np.ptp(east) == pytest.approx(2226.38982, abs=1e-3)
        assert np.ptp(north) == pytest.approx(2211.48778, rel=2e-6)

    def test_corners_of_a_lawn(self) -> None:
        # geographiclib 2.1: 45.000 to 45.001 N, 7.000 to 7.001 E; a thousandth of a degree either way.
        east, north = local_metres(np.array([45.0, 45.0, 45.001, 45.001]), np.array([7.0, 7.001, 7.001, 7.0]))
        assert east[1] - east[0] == pytest.approx(78.8468, abs=1e-3)
        assert north[3] - north[0] == pytest.approx(111.1318, abs=1e-3)
        assert Polygon(np.column_stack([east, north])).area == pytest.approx(8762.313, rel=1e-5)

    def test_a_plane_figure(self) -> None:
        # shapely: an L of 100 by 80 m with a corner of 40 by 40 left out is 6400 m2, here 0.64 ha or 1.5815 acres.
        ell = Polygon([(0, 0), (100, 0), (100, 40), (60, 40), (60, 80), (0, 80)])
        assert ell.area == 6400.0
        # the same L, worked in rows of 1 m: no strip left, none twice
        rows = [(np.array([0.0, 100.0 if n < 40 else 60.0]), np.full(2, n + 0.5)) for n in range(80)]
        tracked, filled = swath_area(rows, 1.0)
        assert tracked == pytest.approx(6400.0, rel=1e-9)
        assert filled == pytest.approx(6400.0, rel=2e-3)
        assert tracked / 4046.8564224 == pytest.approx(1.5815, abs=1e-4)


@given(
    latitude=st.floats(-65, 65),
    longitude=st.floats(-180, 180),
    azimuth=st.floats(-180, 180),
    metres=st.floats(0.5, 2000),
)
@settings(max_examples=60)
def test_the_plane_agrees_with_geodesics(latitude: float, longitude: float, azimuth: float, metres: float) -> None:
    end = Geodesic.WGS84.Direct(latitude, longitude, azimuth, metres)
    east, north = local_metres(np.array([latitude, end["lat2"]]), np.array([longitude, end["lon2"]]))
    assert np.hypot(east[1] - east[0], north[1] - north[0]) == pytest.approx(metres, rel=2e-6, abs=1e-6)


class TestLawn:
    def test_every_strip_once(self) -> None:
        east, north = lawn(40, 60.0, 1.0)
        latitude, longitude = on_earth(east, north)
        found = find_field_area(series_of(np.arange(len(east)), latitude=latitude, longitude=longitude), 1.0)
        assert found.distance_by == "position"
        assert found.distance_km is not None
        # 40 rows and 39 turns of 1 m, whose corners a reading a second cuts
        assert found.distance_km.low < (40 * 60 + 39) / 1000 < found.distance_km.high
        assert found.distance_km.mid == pytest.approx(2.439, rel=0.015)
        assert found.area_ha is not None
        # rows and turns: 40 strips of 60 m, and at the ends half a width of each turn
        assert found.area_ha.mid == pytest.approx(0.24, rel=0.02)
        assert found.overlap_share == pytest.approx(0.0, abs=0.02)

    def test_overlap_counts_once(self) -> None:
        east, north = lawn(40, 60.0, 0.75)
        latitude, longitude = on_earth(east, north)
        found = find_field_area(series_of(np.arange(len(east)), latitude=latitude, longitude=longitude), 1.0)
        assert found.area_ha is not None
        assert found.area_ha.mid == pytest.approx(60 * (39 * 0.75 + 1.0) / 1e4, rel=0.02)
        assert found.overlap_share == pytest.approx(0.25, abs=0.02)
        twice = find_field_area(
            series_of(np.arange(2 * len(east)), latitude=np.tile(latitude, 2), longitude=np.tile(longitude, 2)), 1.0
        )
        assert twice.area_ha is not None
        assert twice.area_ha.mid == pytest.approx(found.area_ha.mid, rel=0.02)

    @pytest.mark.parametrize("wander", [0.2, 0.4])
    def test_a_receiver_that_wanders(self, wander: float) -> None:
        # slow wandering (some minutes, 0.2 to 0.4 m) leaves slivers between strips that were in truth mown
        rng = np.random.default_rng(3)
        east, north = lawn(40, 60.0, 1.0)
        slow = np.cumsum(rng.normal(0, 1, (2, len(east))), axis=1)
        slow -= np.array([np.convolve(np.pad(row, 300, mode="edge"), np.ones(601) / 601, "valid") for row in slow])
        slow *= wander / slow.std(axis=1, keepdims=True)
        latitude, longitude = on_earth(east + slow[0], north + slow[1])
        found = find_field_area(series_of(np.arange(len(east)), latitude=latitude, longitude=longitude), 1.0)
        assert found.area_ha is not None
        assert found.area_ha.low < 0.24 < found.area_ha.high
        assert found.area_ha.mid == pytest.approx(0.24, rel=0.06)

    @pytest.mark.parametrize("scatter", [0.1, 0.3, 0.5, 1.0])
    def test_a_receiver_that_scatters(self, scatter: float) -> None:
        rng = np.random.default_rng(1)
        east, north = lawn(40, 60.0, 1.0)
        latitude, longitude = on_earth(*(np.array([east, north]) + rng.normal(0, scatter, (2, len(east)))))
        found = find_field_area(series_of(np.arange(len(east)), latitude=latitude, longitude=longitude), 1.0)
        assert found.noise_m == pytest.approx(scatter, rel=0.15)
        assert found.distance_km is not None
        assert found.distance_km.low < 2.439 < found.distance_km.high
        assert found.area_ha is not None
        assert found.area_ha.low < 0.24 < found.area_ha.high * 1.001

    def test_only_the_work_counts(self) -> None:
        east, north = lawn(10, 50.0, 1.0)
        latitude, longitude = on_earth(east, north)
        made = series_of(np.arange(len(east)), latitude=latitude, longitude=longitude)
        half = find_field_area(made, 1.0, [(made.start, made.start + (made.end - made.start) // 2)])
        assert half.area_ha is not None
        assert half.area_ha.mid == pytest.approx(0.025, rel=0.05)
        assert half.distance_km is not None
        assert half.working_km is not None
        assert half.working_km.mid == pytest.approx(half.distance_km.mid / 2, rel=0.02)
        none = find_field_area(made, 1.0, [])
        assert none.area_ha is None
        assert "work" in none.unknown["area_ha"]

    def test_a_speed_beside_the_position_widens_the_way_and_tells_when_it_stood(self) -> None:
        # 100 m in 50 s, then 200 s of a receiver that scatters by half a metre; the tachometer reads 5 % more
        rng = np.random.default_rng(8)
        t = np.arange(250.0)
        stray = np.where(t > 50, rng.normal(0, 0.5, (2, 250)), 0.0)
        latitude, longitude = on_earth(*(np.array([np.minimum(2.0 * t, 100.0), 0 * t]) + stray))
        position = {"latitude": latitude, "longitude": longitude}
        found = find_field_area(series_of(t, **position, vehicle_speed=np.where(t <= 50, 2.1 * 3.6, 0.0)), 1.0)
        alone = find_field_area(series_of(t, **position), 1.0)
        assert found.distance_km is not None
        assert found.distance_km.low < 0.1
        assert found.distance_km.high >= 0.105 * 0.99
        assert alone.area_ha is not None
        assert found.area_ha is not None
        assert found.area_ha.mid == pytest.approx(0.01, rel=0.05)
        assert found.area_ha.mid < alone.area_ha.mid

    def test_only_what_was_read_together_is_a_position(self) -> None:
        t = np.arange(60, dtype=np.int64) * 1_000_000
        latitude, longitude = on_earth(np.arange(60.0), np.zeros(60))
        signals = {"latitude": Series(t[::2], latitude[::2]), "longitude": Series(t[::3], longitude[::3])}
        track = find_track(SessionSeries("made up", 0, int(t[-1]), 0, "relative", signals, None))
        assert track is not None
        assert (track.t // 1_000_000).tolist() == list(range(0, 60, 6))
        assert np.diff(track.east) == pytest.approx(np.full(9, 6.0), abs=1e-6)
        assert swath_area([], 1.0) == (0.0, 0.0)

    def test_two_positions_are_a_way(self) -> None:
        latitude, longitude = on_earth(np.array([0.0, 3.0]), np.zeros(2))
        track = find_track(series_of(np.arange(2.0), latitude=latitude, longitude=longitude))
        assert track is not None
        assert np.diff(track.east) == pytest.approx([3.0], abs=1e-6)


class TestStanding:
    def test_a_receiver_that_wanders_while_the_machine_stands_adds_little(self) -> None:
        rng = np.random.default_rng(5)
        east, north = rng.normal(0, 0.15, (2, 600))
        latitude, longitude = on_earth(east, north)
        found = find_field_area(series_of(np.arange(600.0), latitude=latitude, longitude=longitude))
        assert found.distance_km is not None
        assert found.distance_km.mid < 0.002
        assert found.noise_m == pytest.approx(0.15, rel=0.2)

    def test_a_jump_is_left_out(self) -> None:
        east, north = lawn(4, 50.0, 1.0)
        latitude, longitude = on_earth(east, north)
        latitude[60] += 0.5
        latitude[80], longitude[80] = 0.0, 0.0  # no fix
        track = find_track(series_of(np.arange(len(east)), latitude=latitude, longitude=longitude))
        assert track is not None
        assert len(track.t) == len(east) - 2


class TestWithoutPosition:
    def test_by_speed(self) -> None:
        t = np.arange(0, 3600.0)
        found = find_field_area(series_of(t, vehicle_speed=0 * t + 5.0), 1.1)
        assert found.distance_by == "speed"
        assert found.distance_km is not None
        assert found.distance_km.mid == pytest.approx(5.0, rel=1e-3)
        assert found.area_ha is not None
        assert found.area_by == "distance and width"
        assert found.area_ha.low < found.area_ha.mid < found.area_ha.high

    def test_stated(self) -> None:
        t = np.arange(0, 60.0)
        found = find_field_area(series_of(t, pack_current=t), 1.1, stated_area_ha=0.6)
        assert found.area_by == "stated"
        assert found.area_ha == (0.6, 0.6, 0.6)
        assert "position" in found.unknown["distance_km"]

    def test_nothing(self) -> None:
        t = np.arange(0, 60.0)
        found = find_field_area(series_of(t, pack_current=t), 1.1)
        assert found.area_ha is None
        assert set(found.unknown) == {"area_ha", "distance_km", "overlap_share"}
