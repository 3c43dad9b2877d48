"""The charts of a session's report by name: power, voltage, charge, cells, temperatures, track.

A chart that the session has no data for is not among them.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from telemetry.analysis.series import SessionSeries
from telemetry.report.chart_data import Chart, Moment, charts_of
from telemetry.report.drive_chart import drive_svg
from telemetry.report.drive_strip import COLUMNS, drive_lines
from telemetry.report.svg_chart import svg_chart
from telemetry.report.text_chart import text_chart

if TYPE_CHECKING:
    from telemetry.analysis.session_figures import SessionFigures
    from telemetry.report.session_model import Report

_PAGE_COLUMNS = 600
_TERMINAL_WIDTH = 80


def moments_of(report: Report) -> list[Moment]:
    """Return the alarms and marks of a report in time order."""
    raised = [alarm for alarm in report.alarms if alarm.was_active]
    alarms = [Moment(alarm.from_s / 60.0, "A", f"{alarm.name}, {alarm.where}") for alarm in raised]
    kept = [mark for mark in report.marks if not mark.taken_back]
    return sorted([*alarms, *(Moment(mark.t / 60.0, "M", mark.text) for mark in kept)])


def page_charts(
    series: SessionSeries, figures: SessionFigures | None = None, moments: Sequence[Moment] = ()
) -> dict[str, str]:
    """Return an SVG element as text by the chart's name, for a page that needs nothing else.

    Args:
        series: the session.
        figures: its figures, for power less the offset, the state of charge with its bounds, and what the machine did
            along the time; None: what the series alone gives.
        moments: alarms and marks.
    """
    return {chart.name: svg_chart(chart) for chart in _charts(series, figures, _PAGE_COLUMNS, moments)}


def drive_picture(
    series: SessionSeries, figures: SessionFigures | None, report: Report, moments: Sequence[Moment] = ()
) -> str:
    """Return the drive on one time axis as an SVG element; empty where there is nothing to draw.

    Args:
        series, figures, moments: as for :func:`page_charts`.
        report: parts with their limits.
    """
    return drive_svg(_charts(series, figures, _PAGE_COLUMNS, moments), report)


def drive_in_characters(
    series: SessionSeries, figures: SessionFigures | None, report: Report, moments: Sequence[Moment] = ()
) -> list[str]:
    """Return the same for the terminal, as lines; none where there is nothing to draw."""
    return drive_lines(_charts(series, figures, COLUMNS, moments), report.parts)


def terminal_charts(
    series: SessionSeries,
    figures: SessionFigures | None = None,
    width: int = _TERMINAL_WIDTH,
    moments: Sequence[Moment] = (),
) -> dict[str, list[str]]:
    """Return lines of at most ``width`` characters by the chart's name, plain, so that they can be kept in a file.

    Args:
        series, figures, moments: as for :func:`page_charts`.
        width: characters.
    """
    return {chart.name: text_chart(chart, width) for chart in _charts(series, figures, width - 8, moments)}


def _charts(
    series: SessionSeries, figures: SessionFigures | None, columns: int, moments: Sequence[Moment]
) -> list[Chart]:
    if figures is None:
        return charts_of(series, columns, moments=moments)
    return charts_of(series, columns, figures.charge, figures.power, figures.phases, moments)
