"""A page for a buyer or a neighbour: what the machine did, what a charge does, how its parts fared. No jargon."""

from __future__ import annotations

import textwrap
from fnmatch import fnmatchcase
from functools import partial
from html import escape

from telemetry.analysis.ranges import Range
from telemetry.machine.cautions import GENERAL
from telemetry.model.errors import printable
from telemetry.model.time_text import length
from telemetry.model.words import capital
from telemetry.report.numbers import UNKNOWN, figure, three
from telemetry.report.part_row import LEVELS, SHAPES, PartRow
from telemetry.report.part_table import gauge_html
from telemetry.report.session_model import Report
from telemetry.report.session_page import html_page
from telemetry.report.session_text import when_text

_WIDTH = 80
VERDICTS = {
    "PARK": (
        "past",
        "■",
        "Not to be driven now",
        "A part went past its limit and needs a look before the next drive.",
    ),
    "DRIVE GENTLY": ("near", "▲", "Gentle use only", "A part came close to its limit, or stands out."),
    "DRIVE ON": ("holds", "●", "Nothing found against it", "Every part that was measured stayed within its limit."),
    "NOT ENOUGH SEEN": ("act", "?", "Not enough measured", "It was used too little, or a part was not measured."),
}
"""Level, shape, words and sentence of each verdict."""
_CHARGED = "This was a charge: nothing was driven to judge it by."
PARTS = (
    ("cell-*", "battery cells"),
    ("*-cell", "battery cells"),
    ("pack-temperature", "battery temperature"),
    ("pack-*-voltage", "battery voltage"),
    ("sag-*", "battery voltage"),
    ("pack-cells-minimum", "battery cells"),
    ("pack-charge-current", "charging"),
    ("charge-*", "charging"),
    ("pack-*", "battery current"),
    ("controller-*", "motor controller"),
    ("motor-*", "motor"),
    ("fuse-*", "main fuse"),
    ("wire-*", "main cable"),
    ("connector-*", "battery plug"),
    ("path", "connections"),
)
"""What a part is called here, by the first pattern that fits its key."""
_WORDS = {
    "past": "went past its limit",
    "near": "came close to its limit",
    "holds": "stayed within its limit",
    "not judged": "was not measured",
}


def plain_name(key: str) -> str:
    """Return what a person without the trade calls the part of that key."""
    return next((name for pattern, name in PARTS if fnmatchcase(key, pattern)), key.replace("-", " "))


def plain_parts(report: Report) -> list[tuple[str, PartRow]]:
    """Return each part once, by the row that came nearest to its limit, worst first."""
    worst: dict[str, PartRow] = {}
    for row in report.parts:
        name = plain_name(row.key)
        if name not in worst or _rank(row) < _rank(worst[name]):
            worst[name] = row
    return sorted(worst.items(), key=lambda each: _rank(each[1]))


def _rank(row: PartRow) -> tuple[int, float]:
    return LEVELS.index(row.level), -(row.share_pct or 0.0)


def plain_sections(report: Report) -> list[tuple[str, list[str]]]:
    """Return headings with their sentences."""
    totals, work, soc = report.totals, report.work, report.soc
    did = [f"It ran for {length(totals.duration_s)}."] if totals.duration_s else []
    far = [
        figure(value, unit) for value, unit in ((work.distance_km, "km"), (work.area_ha, "ha")) if value is not None
    ]
    did += [f"It covered {' and '.join(far)}."] if far else []
    did += (
        [f"It used {figure(totals.energy_out_wh, 'Wh')} of electricity."] if totals.energy_out_wh is not None else []
    )
    if report.charge_only and totals.energy_in_wh is not None:
        did = [f"It was charged for {length(totals.duration_s)} and took {figure(totals.energy_in_wh, 'Wh')}."]
    if soc.end_pct is not None and soc.start_pct is not None:
        did.append(f"The battery went from about {soc.start_pct:.0f} % to about {soc.end_pct:.0f} % full.")
    does = [
        said
        for said in (
            _range(work.h_per_charge, "h", "It runs for"),
            _range(work.km_per_charge, "km", "It drives"),
            _range(work.ha_per_charge, "ha", "It works"),
        )
        if said
    ]
    does += ["In brackets: where nine of ten such charges would end, at the pace of this drive."] if does else []
    battery = _battery(report)
    missing = [f"{capital(name)}." for name, row in plain_parts(report) if row.level == "not judged"]
    return [
        (title, sentences)
        for title, sentences in (
            ("What it did", did),
            ("What a full charge does", does),
            ("The battery", battery),
            ("What was not measured", missing),
        )
        if sentences
    ]


def _range(values: Range | None, unit: str, words: str) -> str:
    said = three(values, unit)
    return "" if values is None or UNKNOWN in said else f"{words} {said}."


def _battery(report: Report) -> list[str]:
    said = []
    capacity = report.capacity
    if capacity.usable_ah is not None:
        said.append(f"It holds {figure(capacity.usable_ah, 'Ah', capacity.uncertainty_ah)}.")
    cells = report.resistance.cells
    odd = [each.cell for each in report.cells.odd]
    if odd:
        names, many = ", ".join(str(each) for each in odd), len(odd) > 1
        of = f" of {len(cells)}" if cells else ""
        said.append(f"Cell{'s' if many else ''} {names}{of} differ{'' if many else 's'} from the others.")
    elif cells:
        said.append(f"Its {len(cells)} cells are alike.")
    return said


def _verdict(report: Report) -> tuple[str, str, str, str]:
    """Return level, shape, words and sentence of the verdict."""
    level, shape, words, sentence = VERDICTS[report.verdict_word]
    return level, shape, words, _CHARGED if level == "act" and report.charge_only else sentence


def plain_page(report: Report) -> str:
    """Return the page."""
    level, shape, words, sentence = _verdict(report)
    name = printable(report.machine or report.recording, 60)
    spans = "".join(f"<span>{escape(each)}</span>" for each in (when_text(report),) if each)
    rows = "".join(
        f'<tr><td><span class="badge {row.level.replace(" ", "-")}">{SHAPES[row.level]}</span></td>'
        f'<td class="part">{escape(part)}</td><td>{gauge_html(row)}</td><td>{_WORDS[row.level]}</td></tr>\n'
        for part, row in plain_parts(report)
    )
    head = "<tr><th></th><th>part</th><th>how hard it was used, up to its limit</th><th></th></tr>"
    body = "".join(
        f"<h2>{escape(title)}</h2>\n{''.join(f'<p>{escape(each)}</p>' for each in sentences)}\n"
        for title, sentences in plain_sections(report)
    )
    return html_page(
        name,
        f"<header><h1>{escape(name)}</h1> {spans}</header>\n"
        f'<div class="verdict"><span class="badge {level}">{shape} {escape(words)}</span>'
        f'<div><p class="reason">{escape(sentence)}</p></div></div>\n'
        f'{body}<h2>Its parts</h2>\n<table class="parts">{head}{rows}</table>\n',
        f"{GENERAL} Measured by the owner with shakedown; it is no inspection and no warranty.",
    )


def plain_lines(report: Report) -> list[str]:
    """Return the same as lines."""
    _, shape, words, sentence = _verdict(report)
    head = [printable(report.machine or report.recording, 60), when_text(report)]
    lines = ["  ".join(each for each in head if each), "", f"{shape} {words}. {sentence}"]
    for title, sentences in plain_sections(report):
        lines += ["", title.upper(), *(f"  {each}" for each in sentences)]
    lines += ["", "ITS PARTS"]
    lines += [f"  {SHAPES[row.level]} {part:<20} {_WORDS[row.level]}" for part, row in plain_parts(report)]
    lines += ["", GENERAL]
    wrap = partial(textwrap.wrap, width=_WIDTH, subsequent_indent="  ", break_on_hyphens=False)
    return [each for line in lines for each in wrap(line) or [""]]
