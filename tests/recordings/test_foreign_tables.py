"""Tables as other loggers and spreadsheets write them: each of the variants is read, with the values it holds.

The drive and the variants are drawn here; how loggers lay tables out is common practice, from memory. Factors of
units are exact by definition: NIST Special Publication 811 (2008), appendix B.8 (degree Fahrenheit, mile, knot).
"""

from __future__ import annotations

import datetime
import gzip
import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import pytest

from telemetry.model.errors import RecordingError
from telemetry.recordings.foreign.column_map import keep_map, kept_maps
from telemetry.recordings.foreign.mapped_table import MappedTable
from telemetry.recordings.foreign.propose import proposed

ROWS = 400
START = datetime.datetime(2026, 5, 17, 9, 58, 20, tzinfo=datetime.UTC)


@dataclass(frozen=True)
class Row:
    t: float
    volts: float
    amps: float
    cells: tuple[float, ...]
    celsius: float
    kmh: float
    soc: float


def drive() -> list[Row]:
    """Return a drive at 1 Hz: load comes and goes, voltage follows through 30 mohm, braking gives some back."""
    random = np.random.default_rng(11)
    rows = []
    for second in range(ROWS):
        amps = round(22 + 26 * math.sin(second / 9) + float(random.uniform(0, 6)), 1)
        volts = round(53.1 - 0.03 * amps - second / 2000, 2)
        cells = tuple(round(volts / 16 + float(each), 3) for each in random.normal(0, 0.004, 16))
        kmh = round(8 + 2 * math.sin(second / 30), 1)
        rows.append(Row(float(second), volts, amps, cells, round(24 + second / 90, 1), kmh, round(88 - second / 60)))
    return rows


DRIVE = drive()
Line = Callable[[Row], Sequence[object]]


@dataclass(frozen=True)
class Variant:
    """One way to write the drive.

    Attributes:
        name: of the case.
        data: the file.
        suffix: how its name ends.
        signals: what must be read, by signal: shape (rows,).
        start: of the first row; None where times count from the first row.
        asks: topics that the file cannot tell.
        warns: part of what is told afterwards.

    """

    name: str
    data: bytes
    signals: dict[str, list[float]]
    suffix: str = ".csv"
    start: datetime.datetime | None = None
    asks: tuple[str, ...] = ()
    warns: str = ""
    missing: tuple[int, ...] = field(default=())


def text(
    head: Iterable[str], line: Line, comma: str = ",", decimal: str = ".", end: str = "\n", tail: str = ""
) -> str:
    lines = [each.replace("|", comma) for each in head]
    for row in DRIVE:
        cells = [str(each).replace(".", decimal) if isinstance(each, float) else str(each) for each in line(row)]
        lines.append(comma.join(cells) + tail)
    return end.join([*lines, ""])


def of(attribute: str) -> list[float]:
    return [getattr(row, attribute) for row in DRIVE]


VA = {"pack_voltage": of("volts"), "pack_current": of("amps")}


def at(row: Row, form: str, zone: datetime.tzinfo = datetime.UTC) -> str:
    return (START + datetime.timedelta(seconds=row.t)).astimezone(zone).strftime(form)


def plain(row: Row) -> Sequence[object]:
    return row.t, row.volts, row.amps


def variants() -> Iterable[Variant]:
    yield Variant("plain", text(["Time (s)|Voltage (V)|Current (A)"], plain).encode(), VA)
    yield Variant("semicolons and decimal commas", text(["Time [s]|U [V]|I [A]"], plain, ";", ",").encode(), VA)
    yield Variant("tabs", text(["seconds|Volts|Amps"], plain, "\t").encode(), VA, ".tsv")
    yield Variant("bars", text(["elapsed s|pack V|pack A"], plain, "|").encode(), VA)
    yield Variant("blanks", text(["t_s|volts|amps"], plain, "   ").encode(), VA, ".txt")
    yield Variant("utf-8 with mark", text(["Time (s)|Volts|Amps"], plain).encode("utf-8-sig"), VA)
    yield Variant("utf-16", text(["Time (s)|Volts|Amps"], plain, ";", ",").encode("utf-16"), VA)
    yield Variant("utf-16 without mark", text(["Time (s)|Volts|Amps"], plain).encode("utf-16-le"), VA)
    degrees = VA | {"pack_temperature_1": of("celsius")}
    yield Variant(
        "windows-1252",
        text(["Time (s)|Volts|Amps|Temp (°C)"], lambda r: (r.t, r.volts, r.amps, r.celsius)).encode("cp1252"),
        degrees,
    )
    yield Variant("carriage returns", text(["Time (s)|Volts|Amps"], plain, end="\r").encode(), VA)
    yield Variant("windows line ends", text(["Time (s)|Volts|Amps"], plain, end="\r\n").encode(), VA)
    yield Variant("gzip", gzip.compress(text(["Time (s)|Volts|Amps"], plain).encode()), VA, ".csv.gz")
    yield Variant("a delimiter ends each row", text(["Time (s)|Volts|Amps"], plain, tail=",").encode(), VA)
    yield Variant("and the header", text(["Time (s)|Volts|Amps|"], plain, tail=",").encode(), VA)
    before = ["sep=;", "Logger 3, serial 00412", "", "Time (s)|Volts|Amps"]
    yield Variant("lines before the header", text(before, plain, ";").encode(), VA)
    comments = ["# exported by hand", "# all in SI", "# time_s|volts|amps"]
    yield Variant("a header in a comment", text(comments, plain).encode(), VA)
    yield Variant(
        "a row of units",
        text(
            ["Time|Battery|Current", "ms|mV|mA"], lambda r: (r.t * 1000, round(r.volts * 1000), round(r.amps * 1000))
        ).encode(),
        VA,
    )
    yield Variant(
        "millivolts and milliamperes",
        text(
            ["time_ms|pack_mV|pack_mA"], lambda r: (int(r.t * 1000), round(r.volts * 1000), round(r.amps * 1000))
        ).encode(),
        VA,
    )
    with_soc = VA | {"soc_reported": of("soc")}
    yield Variant(
        "shouted",
        text(["TIME S|PACK VOLTAGE|PACK CURRENT|SOC %"], lambda r: (r.t, r.volts, r.amps, r.soc)).encode(),
        with_soc,
    )
    imperial = VA | {"vehicle_speed": of("kmh"), "motor_temperature": of("celsius")}
    yield Variant(
        "mph and °F",
        text(
            ["Time s|packVoltage|packCurrent|speed_mph|motorTemp °F"],
            lambda r: (r.t, r.volts, r.amps, r.kmh / 1.609344, r.celsius * 9 / 5 + 32),
        ).encode(),
        imperial,
    )
    nautical = VA | {"vehicle_speed": of("kmh"), "controller_temperature": of("celsius")}
    yield Variant(
        "knots and kelvin",
        text(
            ["Time s|Volts|Amps|Speed (kn)|Inverter temp (K)"],
            lambda r: (r.t, r.volts, r.amps, r.kmh / 1.852, r.celsius + 273.15),
        ).encode(),
        nautical,
    )
    yield Variant(
        "charging counts as positive", text(["Time s|Volts|Amps"], lambda r: (r.t, r.volts, -r.amps)).encode(), VA
    )
    yield Variant(
        "unix seconds",
        text(["timestamp|volts|amps"], lambda r: (START.timestamp() + r.t, r.volts, r.amps)).encode(),
        VA,
        start=START,
    )
    yield Variant(
        "unix milliseconds",
        text(
            ["timestamp|volts|amps"], lambda r: (int(START.timestamp() * 1000 + r.t * 1000), r.volts, r.amps)
        ).encode(),
        VA,
        start=START,
    )
    yield Variant(
        "iso",
        text(["Date|Volts|Amps"], lambda r: (at(r, "%Y-%m-%dT%H:%M:%SZ"), r.volts, r.amps)).encode(),
        VA,
        start=START,
    )
    east = datetime.timezone(datetime.timedelta(hours=2))
    yield Variant(
        "an offset",
        text(["Date|Volts|Amps"], lambda r: (at(r, "%Y-%m-%d %H:%M:%S.000%z", east), r.volts, r.amps)).encode(),
        VA,
        start=START,
    )
    german = text(
        ["Datum|Uhrzeit|Spannung (V)|Strom (A)"],
        lambda r: (at(r, "%d.%m.%Y"), at(r, "%H:%M:%S"), r.volts, r.amps),
        ";",
        ",",
    ).encode()
    yield Variant("date and time apart", german, VA, start=START, asks=("zone",))
    yield Variant(
        "am and pm",
        text(["Time|Volts|Amps"], lambda r: (at(r, "%m/%d/%Y %I:%M:%S %p"), r.volts, r.amps)).encode(),
        VA,
        start=START,
        asks=("zone",),
    )
    yield Variant(
        "h:mm:ss",
        text(
            ["Elapsed|Volts|Amps"],
            lambda r: (f"{int(r.t) // 3600}:{int(r.t) // 60 % 60:02d}:{int(r.t) % 60:02d}", r.volts, r.amps),
        ).encode(),
        VA,
    )
    yield Variant(
        "days of a spreadsheet",
        text(
            ["Time|Volts|Amps"], lambda r: (START.timestamp() / 86400 + 25569 + r.t / 86400, r.volts, r.amps)
        ).encode(),
        VA,
        start=START,
    )
    cells = {f"cell_{n + 1:02d}_voltage": [r.cells[n] for r in DRIVE] for n in range(16)}
    names = "|".join(f"Cell {n} (V)" for n in range(1, 17))
    yield Variant(
        "cells", text([f"Time s|Volts|Amps|{names}"], lambda r: (r.t, r.volts, r.amps, *r.cells)).encode(), VA | cells
    )
    short = "|".join(f"C{n}" for n in range(16))
    yield Variant(
        "cells from 0 in mV",
        text(
            [f"Time s|Volts|Amps|{short}"], lambda r: (r.t, r.volts, r.amps, *(round(v * 1000) for v in r.cells))
        ).encode(),
        VA | cells,
    )
    yield from more_times()
    yield from more_names()
    yield from damaged()


def more_times() -> Iterable[Variant]:
    """Give other ways to write the time."""
    for name, form in (
        ("a month as a word", "%a %d-%b-%Y %H:%M:%S"),
        ("the basic format of ISO 8601", "%Y%m%dT%H%M%S"),
        ("a dash between date and time", "%d/%m/%Y - %H:%M:%S"),
        ("a month ahead as a word", "%b %d, %Y %I:%M:%S %p"),
    ):
        data = text(["Date|Volts|Amps"], lambda r, form=form: (at(r, form), r.volts, r.amps), ";").encode()
        yield Variant(name, data, VA, start=START, asks=("zone",))
    midnight = datetime.datetime(2026, 4, 3, 23, 57, tzinfo=datetime.UTC)  # either order fits each day by itself
    for name, form in (("day first, past midnight", "%d/%m/%Y"), ("month first, past midnight", "%m/%d/%Y")):
        line = [
            f"{midnight + datetime.timedelta(seconds=row.t):{form} %H:%M:%S},{row.volts},{row.amps}" for row in DRIVE
        ]
        yield Variant(name, "\n".join(["Date,Volts,Amps", *line]).encode(), VA, start=midnight, asks=("zone",))
    east = datetime.timezone(datetime.timedelta(hours=2))
    for name, head, end in (
        ("a zone in the name", "Time (GMT+2)", ""),
        ("a zone by name in the cells", "Time", " UTC+02:00"),
    ):
        data = text(
            [f"{head}|Volts|Amps"], lambda r, end=end: (at(r, f"%Y-%m-%d %H:%M:%S{end}", east), r.volts, r.amps)
        )
        yield Variant(name, data.encode(), VA, start=START)
    nano = round(START.timestamp()) * 10**9
    yield Variant(
        "unix nanoseconds",
        text(["ts|volts|amps"], lambda r: (nano + round(r.t * 1e9), r.volts, r.amps)).encode(),
        VA,
        start=START,
    )
    yield Variant(
        "the Battery Data Format: the date counts",
        text(
            ["Test Time / s|Unix Time / s|Voltage / V|Current / A"],
            lambda r: (r.t, START.timestamp() + r.t, r.volts, -r.amps),
        ).encode(),
        VA,
        start=START,
    )
    yield Variant(
        "minutes", text(["Minutes|Volts|Amps"], lambda r: (f"{r.t / 60:.9f}", r.volts, r.amps)).encode(), VA
    )


def more_names() -> Iterable[Variant]:
    """Give other names, units and numbers."""
    warm = VA | {"motor_temperature": of("celsius")}
    grouped = ["Time,Pack,,Motor", "s,Voltage,Current,Temp"]
    four = [f"{row.t},{row.volts},{row.amps},{row.celsius}" for row in DRIVE]
    yield Variant("groups above the names", "\n".join([*grouped, *four]).encode(), warm)
    yield Variant(
        "a unit that says what it is", "\n".join(["Time (s),Volts,Amps,Motor (°C)", *four]).encode("cp1252"), warm
    )
    yield Variant(
        "deg F",
        text(
            ["Time|Pack voltage|Pack current|Motor temperature", "s|V|A|deg F"],
            lambda r: (r.t, r.volts, r.amps, r.celsius * 9 / 5 + 32),
        ).encode(),
        warm,
    )
    yield Variant(
        "compounds",
        text(
            ["Zeit [s]|Akkuspannung [V]|Akkustrom [A]|Ladezustand [%]|Motortemperatur [°C]"],
            lambda r: (r.t, r.volts, r.amps, r.soc, r.celsius),
            ";",
            ",",
        ).encode(),
        warm | {"soc_reported": of("soc")},
    )
    for mark, delimiter, decimal in ((".", ";", ","), (" ", "\t", ","), ("'", ";", "."), (",", ";", ".")):

        def line(row: Row, mark: str = mark, decimal: str = decimal) -> list[str]:
            numbers = (f"{row.t:,.1f}", f"{1000 * row.volts:,.1f}", f"{1000 * row.amps:,.1f}")
            return [number.translate({44: mark, 46: decimal}) for number in numbers]

        data = text(["Time [s]|Volts [mV]|Amps [mA]"], line, delimiter).encode()
        yield Variant(f"thousands parted by {mark!r}", data, VA)
    yield Variant(
        "volts that can be only millivolts",
        text(["Time s|Volts|Amps"], lambda r: (r.t, round(1000 * r.volts), r.amps)).encode(),
        VA,
    )
    yield Variant(
        "charge as a share",
        text(["Time s|Volts|Amps|SOC%"], lambda r: (r.t, r.volts, r.amps, r.soc / 100)).encode(),
        VA | {"soc_reported": of("soc")},
    )
    cells = {f"cell_{n + 1:02d}_voltage": [r.cells[n] for r in DRIVE] for n in range(16)}
    listed = "|".join(f"cell_voltages[{n}]" for n in range(16))
    data = text([f"Time s|Volts|Amps|{listed}"], lambda r: (r.t, r.volts, r.amps, *r.cells)).encode()
    yield Variant("cells as a list", data, VA | cells)


def damaged() -> Iterable[Variant]:
    """Give files with a fault or two, which are counted and told."""
    lines = text(["Time (s)|Volts|Amps"], plain).splitlines()
    again = [*lines[:200], lines[0], *lines[200:]]
    yield Variant("a repeated header", "\n".join(again).encode(), VA, warns="1 repeated headers")
    short = [*lines[:200], "199.5,52.1", *lines[200:]]
    yield Variant("a short line", "\n".join(short).encode(), VA, warns="1 too few cells")
    swapped = [*lines[:200], lines[201], lines[200], *lines[202:]]
    yield Variant("swapped rows", "\n".join(swapped).encode(), VA, warns="1 rows that came late, put in order")
    t, volts, _ = lines[200].split(",")
    worded = [*lines[:200], f"{t},{volts},ERR", *lines[201:]]
    yield Variant("a word", "\n".join(worded).encode(), VA, warns="ERR in Amps", missing=(199,))
    untimed = [*lines[:200], ",52.1,3.5", *lines[200:]]
    yield Variant("a row without its time", "\n".join(untimed).encode(), VA, warns="1 rows without a time")
    quoted = [",".join(f'"{cell}"' for cell in line.split(",")) for line in lines]
    yield Variant("quotes", "\n".join(quoted).encode(), VA)
    with_units = [lines[0], *("{} s,{} V,{} A".format(*line.split(",")) for line in lines[1:])]
    yield Variant("units in the cells", "\n".join(with_units).encode(), VA)
    footer = [*lines, "", "End of file, 400 rows"]
    yield Variant("a footer", "\n".join(footer).encode(), VA, warns="1 too few cells")
    nothing = [*lines[:200], f"{t},{volts},--", *lines[201:]]
    yield Variant("dashes for nothing", "\n".join(nothing).encode(), VA, missing=(199,))


ALL = list(variants())


@pytest.mark.parametrize("sign", [1, -1])
@pytest.mark.parametrize("unit", ["A", "mA"])
def test_charge_and_discharge_in_two_columns_become_the_net_current(tmp_path: Path, sign: int, unit: str) -> None:
    """Either alone would halve every figure of energy; some loggers write the charge below zero, or nothing."""
    path, thousand = tmp_path / "drive.csv", 1000 if unit == "mA" else 1
    head = [f"Time (s)|Volts|Discharge current ({unit})|Charge current ({unit})"]

    def row(r: Row) -> Sequence[object]:
        out, into = thousand * max(r.amps, 0.0), sign * thousand * max(-r.amps, 0.0)
        return r.t, r.volts, f"{out:.3f}", f"{into:.3f}" if into else ""

    path.write_text(text(head, row))
    found = proposed(path)
    assert not found.unknown
    keep_map(found.column_map, path.name, tmp_path)
    kept = next(each for _, each in kept_maps(found.column_map.header, tmp_path))
    seen = [amps for span in MappedTable(path, kept).spans() for _, amps in span.carrying("pack_current")]
    assert np.concatenate(seen) == pytest.approx(of("amps"), abs=1e-6)


def test_charge_and_discharge_in_two_units_are_no_pack_current(tmp_path: Path) -> None:
    path = tmp_path / "drive.csv"
    head = ["Time (s)|Volts|Discharge current (A)|Charge current (mA)"]
    path.write_text(text(head, lambda r: (r.t, r.volts, max(r.amps, 0.0), max(-r.amps, 0.0) * 1000)))
    found = proposed(path)
    assert [column.signal for column in found.column_map.columns.values()] == ["pack_voltage"]
    assert [each.startswith("charge and discharge in") for each in found.doubts.values()] == [True, True]


@pytest.mark.parametrize("form", ["%Y-%m-%d %H:%M:%S", ""], ids=["dates", "seconds"])
def test_the_newest_row_first_is_refused(form: str, tmp_path: Path) -> None:
    """Its time would run backwards: the state of charge would rise while the machine draws."""
    path = tmp_path / "drive.csv"
    lines = text(["Time|Volts|Amps"], lambda r: (at(r, form) if form else r.t, r.volts, r.amps)).splitlines()
    path.write_text("\n".join([lines[0], *reversed(lines[1:]), ""]))
    with pytest.raises(RecordingError, match=r"drive\.csv: its newest row comes first; sort its rows"):
        proposed(path)


def test_a_first_row_without_readings_is_a_row(tmp_path: Path) -> None:
    path = tmp_path / "drive.csv"
    lines = text(["Time (s)|Volts|Amps"], plain).splitlines()
    path.write_text("\n".join([lines[0], "-1,NaN,#DIV/0!", *lines[1:], ""]))
    found = proposed(path)
    assert found.column_map.header == ("Time (s)", "Volts", "Amps")


def test_an_archive_is_told(tmp_path: Path) -> None:
    path = tmp_path / "drive.csv"
    path.write_bytes(b"PK\3\4" + bytes(100))
    with pytest.raises(RecordingError, match=r"a ZIP archive or a workbook; unpack it"):
        proposed(path)


def test_what_a_compressed_file_holds_up_to_its_cut_is_read(tmp_path: Path) -> None:
    path = tmp_path / "drive.csv.gz"
    whole = gzip.compress(text(["Time (s)|Volts|Amps"], plain).encode())
    path.write_bytes(whole[: len(whole) // 2])
    recording = MappedTable(path, proposed(path).column_map)
    rows = sum(len(batch) for span in recording.spans() for batch in span.batches)
    assert ROWS / 3 < rows < ROWS
    assert "ends too early" in "".join(recording.warnings)


def test_thousands_taken_for_decimals_are_doubted(tmp_path: Path) -> None:
    path = tmp_path / "drive.csv"
    path.write_text(text(["Time (s);U [mV];I [A]"], lambda r: (r.t, f"{1000 * r.volts:,.0f}", r.amps), ";", ","))
    doubts = proposed(path).doubts
    assert doubts["U [mV]"].startswith("unlikely voltages for a pack")


def test_there_are_at_least_thirty() -> None:
    assert len(ALL) >= 30
    assert len({variant.name for variant in ALL}) == len(ALL)


@pytest.mark.parametrize("variant", ALL, ids=lambda variant: variant.name)
def test_a_table_is_read_with_the_values_it_holds(variant: Variant, tmp_path: Path) -> None:
    path = tmp_path / f"drive{variant.suffix}"
    path.write_bytes(variant.data)
    found = proposed(path)
    assert tuple(unknown.question.key for unknown in found.unknown) == variant.asks
    for unknown in found.unknown:
        found.answered(unknown, "UTC")
    recording = MappedTable(path, found.column_map)
    batches = [batch for span in recording.spans() for batch in span.batches]
    t = np.concatenate([batch.t for batch in batches])
    start = 0 if variant.start is None else round(variant.start.timestamp() * 1e6)
    assert recording.start == start
    assert np.abs(t - start - np.arange(ROWS) * 1_000_000).max() <= 100  # a spreadsheet's day has 12 decimals
    signals = batches[0].group.signals
    assert set(variant.signals) <= set(signals)
    for signal, expected in variant.signals.items():
        read = np.concatenate([batch.column(signal) for batch in batches])
        known = np.ones(ROWS, dtype=bool)
        known[list(variant.missing)] = np.isfinite(read[list(variant.missing)])
        np.testing.assert_allclose(read[known], np.array(expected)[known], rtol=1e-9, atol=1e-9)
    assert variant.warns in " ".join(recording.warnings)
    assert bool(variant.warns) == bool(recording.warnings)
    if variant.missing:
        assert sum(np.isnan(batch.values).sum() for batch in batches) == len(variant.missing)
