"""Charts of a session: well formed, self-contained, true to the values, in 80 columns, and none without data."""

from __future__ import annotations

import re
import xml.etree.ElementTree as ElementTree
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from telemetry.analysis.phases import find_phases
from telemetry.analysis.series import CellSeries, Series, SessionSeries, read_series
from telemetry.analysis.state_of_charge import ChargeEstimate
from telemetry.recordings.reading import open_recording
from telemetry.report.chart_data import Chart, Moment, charts_of, ticks, time_ticks
from telemetry.report.session_charts import page_charts, terminal_charts
from telemetry.report.svg_chart import svg_chart
from telemetry.report.text_chart import text_chart

SESSIONS = Path(__file__).parents[2] / "replay_data"


def series_of(seconds: np.ndarray, **columns: np.ndarray) -> SessionSeries:
    t = np.round(seconds * 1e6).astype(np.int64)
    signals = {name: Series(t, np.asarray(values, dtype=np.float64)) for name, values in columns.items()}
    return SessionSeries("made up", int(t[0]), int(t[-1]), 0, "relative", signals, None)


def chart_of(series: SessionSeries, name: str, columns: int = 100) -> Chart:
    return next(chart for chart in charts_of(series, columns) if chart.name == name)


@pytest.fixture(scope="module")
def mow() -> SessionSeries:
    return read_series(open_recording(SESSIONS / "orchard-mow.csv.gz"))


class TestWhatIsDrawn:
    def test_each_chart_that_there_is_data_for(self, mow: SessionSeries) -> None:
        names = {"power", "voltage", "charge", "cells", "temperatures"}
        assert set(page_charts(mow)) == set(terminal_charts(mow)) == names
        placed = series_of(np.arange(100.0), latitude=47 + np.arange(100) / 1e5, longitude=np.full(100, 8.0))
        assert set(page_charts(placed)) == {"track"}
        assert page_charts(SessionSeries("made up", 0, 0, 0, "relative", {}, None)) == {}

    def test_no_peak_is_lost_and_none_invented(self, mow: SessionSeries) -> None:
        for columns in (50, 600):
            piece = chart_of(mow, "voltage", columns).curves[0].pieces[0]
            values = mow.signals["pack_voltage"].values
            assert piece.low.min() == values.min()
            assert piece.high.max() == values.max()
            assert len(piece.x) <= 2 * columns + 1

    def test_a_gap_is_left_open(self) -> None:
        t = np.concatenate([np.arange(0, 600.0), np.arange(3000.0, 3600.0)])
        chart = chart_of(series_of(t, pack_voltage=50 + np.sin(t / 50)), "voltage")
        first, second = chart.curves[0].pieces
        assert first.x[-1] < 11
        assert second.x[0] > 49
        assert svg_chart(chart).count("stroke-linejoin") == 2

    def test_current_stands_in_where_power_is_unknown(self) -> None:
        chart = chart_of(series_of(np.arange(100.0), pack_current=np.arange(100.0)), "power")
        assert chart.unit == "A"
        assert "not known" in chart.title

    def test_bounds_of_the_charge_are_a_band(self, mow: SessionSeries) -> None:
        t = np.arange(mow.start, mow.end, 10_000_000)
        pct = np.linspace(93, 70, len(t))
        charge = ChargeEstimate(t, pct, pct - 5, pct + 5)
        chart = next(c for c in charts_of(mow, 100, charge) if c.name == "charge")
        assert [curve.sort for curve in chart.curves] == ["band", "line", "line"]
        assert chart.y[0] < 65
        assert "90 % interval" in svg_chart(chart)

    def test_the_lowest_and_the_highest_cell(self) -> None:
        t = np.arange(0, 50.0)
        volts = 3.3 + 0.01 * np.arange(4) + 0 * t[:, None]
        volts[3, 0] = np.nan
        times = (t * 1e6).astype(np.int64)
        made = replace(series_of(t, pack_voltage=t), cells=CellSeries(times, volts, (1, 2, 3, 4)))
        lowest, highest = chart_of(made, "cells").curves
        assert lowest.pieces[0].low[0] == pytest.approx(3.3)
        assert highest.pieces[0].low[0] == pytest.approx(3.33)
        assert lowest.pieces[0].low[3] == pytest.approx(3.31)


class TestPage:
    def test_well_formed_and_needs_nothing_else(self, mow: SessionSeries) -> None:
        for chart in charts_of(mow, 600, phases=find_phases(mow)):
            text = svg_chart(chart)
            root = ElementTree.fromstring(text)
            assert root.tag.endswith("svg")
            assert root.get("role") == "img"
            assert not re.search(r"script|href|url\(|@import|nan|inf|style=", text)
            assert len(text) < 150_000

    def test_what_the_machine_did_stands_below(self, mow: SessionSeries) -> None:
        chart = next(c for c in charts_of(mow, 600, phases=find_phases(mow)) if c.name == "power")
        text = svg_chart(chart)
        assert text.count("<title>work</title>") == 8
        assert text.count(">work</text>") >= 6

    def test_names_are_escaped(self) -> None:
        chart = replace(chart_of(series_of(np.arange(10.0), pack_voltage=np.arange(10.0)), "voltage"), title="<&>")
        ElementTree.fromstring(svg_chart(chart))

    def test_points_stand_where_the_axis_says(self) -> None:
        # a line from 0 to 10 V over 600 s must go through the places of the ticks 0 and 10 on both axes
        t = np.arange(0, 601.0)
        text = svg_chart(chart_of(series_of(t, pack_voltage=t / 60), "voltage", 1000))
        path = re.search(r'd="M([^"]+)" stroke="#0D3F5C"', text)
        assert path is not None
        points = [tuple(map(float, point.split(","))) for point in path[1].split()]
        labels = {
            m[2]: float(m[1]) for m in re.finditer(r'<text x="56" y="([\d.]+)" text-anchor="end">([^<]+)<', text)
        }
        assert points[0][1] == pytest.approx(labels["0"] - 4, abs=0.2)
        assert points[-1][1] == pytest.approx(labels["10"] - 4, abs=0.2)
        along = {
            m[2]: float(m[1]) for m in re.finditer(r'<text x="([\d.]+)" y="\d+" text-anchor="middle">([^<]+)<', text)
        }
        assert points[0][0] == pytest.approx(along["0:00:00"], abs=0.2)
        assert points[-1][0] == pytest.approx(along["0:10:00"], abs=0.2)

    def test_a_track_has_one_scale_both_ways(self) -> None:
        around = np.linspace(0, 2 * np.pi, 200)
        east, north = 30 * np.cos(around) / 76_000, 30 * np.sin(around) / 111_180
        chart = chart_of(series_of(np.arange(200.0), latitude=47 + north, longitude=8 + east), "track")
        path = re.search(r'd="M([^"]+)" stroke="#0D3F5C"', svg_chart(chart))
        assert path is not None
        x, y = np.array([tuple(map(float, p.split(","))) for p in path[1].split()]).T
        assert np.ptp(x) == pytest.approx(np.ptp(y), rel=0.02)

    def test_curves_differ_without_colour(self, mow: SessionSeries) -> None:
        text = svg_chart(chart_of(mow, "temperatures"))
        dashes = set(re.findall(r'stroke-dasharray="([^"]+)"', text))
        assert len(dashes) == len(chart_of(mow, "temperatures").curves) - 1


class TestTerminal:
    @pytest.mark.parametrize("width", [60, 80, 120])
    def test_it_keeps_to_its_width_and_is_plain(self, mow: SessionSeries, width: int) -> None:
        for lines in terminal_charts(mow, width=width).values():
            assert max(map(len, lines)) <= width
            assert 8 <= len(lines) <= 20
            assert all(line.isprintable() for line in lines)

    def test_each_curve_has_a_sign_of_its_own(self, mow: SessionSeries) -> None:
        lines = terminal_charts(mow)["temperatures"]
        for sample in ("▄▀ pack", "* pack", "o motor", "+ controller"):
            assert sample in lines[1]

    def test_one_chart_leaves_nothing_for_the_next(self, mow: SessionSeries) -> None:
        chart = chart_of(mow, "voltage", 72)
        once = text_chart(chart)
        text_chart(chart_of(mow, "temperatures", 72), 100, 20)
        assert text_chart(chart) == once


@given(low=st.floats(-1e5, 1e5), span=st.floats(1e-3, 1e5), most=st.integers(2, 10))
def test_ticks_are_round_few_and_inside(low: float, span: float, most: int) -> None:
    found = ticks(low, low + span, most)
    assert len(found) <= most + 1
    assert all(low - 1e-6 * span <= each <= low + span * (1 + 1e-6) for each in found)
    for value, text in time_ticks(low, low + span, most):
        assert low - 1e-6 * span <= value <= low + span * (1 + 1e-6)
        assert text


@given(seed=st.integers(0, 10_000), rows=st.integers(1, 60))
@settings(max_examples=15)
def test_whatever_comes_is_drawn(seed: int, rows: int) -> None:
    rng = np.random.default_rng(seed)
    t = np.cumsum(rng.choice([0.0, 0.1, 1.0, 400.0], rows, p=[0.05, 0.5, 0.4, 0.05]))
    every = ("pack_voltage", "pack_current", "soc_reported", "latitude", "longitude", "motor_temperature")
    made = series_of(t, **{name: rng.choice([0.0, 1e-9, rng.uniform(-80, 80)], rows) for name in every})
    for name, text in page_charts(made).items():
        ElementTree.fromstring(text)
        assert "nan" not in text, name
    for lines in terminal_charts(made).values():
        assert max(map(len, lines)) <= 80


class TestMoments:
    MOMENTS = (Moment(2.0, "M", "<gate>"), Moment(5.0, "A", "low cell voltage, cell 17"))

    def test_alarms_and_marks_stand_at_their_times(self) -> None:
        t = np.arange(0, 601.0)
        chart = charts_of(series_of(t, pack_voltage=50 + t / 60), 100, moments=self.MOMENTS)[0]
        lines = text_chart(chart)
        signs, words = lines[-2], lines[-1]
        axis = next(line for line in lines if "└" in line)
        left, right = axis.index("└") + 1, axis.index("┘") - 1
        assert signs.index("M") == pytest.approx(left + 0.2 * (right - left), abs=1)
        assert signs.index("A") == pytest.approx(left + 0.5 * (right - left), abs=1)
        assert words.split() == ["A", "alarm,", "M", "mark"]
        assert max(map(len, lines)) <= 80
        text = svg_chart(chart)
        ElementTree.fromstring(text)
        assert "mark 0:02:00: &lt;gate&gt;" in text
        assert "alarm 0:05:00: low cell voltage, cell 17" in text

    def test_a_chart_without_any_has_no_such_line(self) -> None:
        lines = text_chart(chart_of(series_of(np.arange(100.0), pack_voltage=np.arange(100.0)), "voltage"))
        assert not any("A alarm" in line for line in lines)
