"""The page that gets signals out of a machine: its sketch runs, its machine files read, its sums are right.

Sums are worked again here from the parts' values by Ohm's law, and held to what the page says. From outside the
project: the E24 row of IEC 60063, wire sizes by ASTM B258, copper's resistivity by IEC 60028, the addresses of
RFC 5737; the first three from memory. DIN 43703's 60 mV and UN R100's 60 V are facts of the page, not checked here.
"""

from __future__ import annotations

import ipaddress
import math
import re
import shutil
import subprocess
import tomllib
import xml.etree.ElementTree as ElementTree
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from drivers.decode.text_batches import TextBatches
from drivers.serial_text import SerialTextSettings
from telemetry.cli import main
from telemetry.machine.machine_file import parse_machine
from telemetry.machine.sections import Machine
from telemetry.model.batch import Batch, Group
from telemetry.model.keys import keys_of
from telemetry.model.tables import settings_of
from telemetry.pipeline.registry import check_settings, driver_names
from telemetry.runs import join
from tests.faults.program import BUSY_S

KEYS = {key.name for key in keys_of(SerialTextSettings)}
DOCS = Path(__file__).parents[1] / "docs"
PAGE = (DOCS / "getting-signals.md").read_text(encoding="utf-8")
SKETCH = DOCS / "sketches" / "board.c"
DRAWINGS = sorted((DOCS / "drawings").glob("*.svg"))
SVG = "{http://www.w3.org/2000/svg}"
PACK = '[pack]\nchemistry = "lfp"\ncells_in_series = 20\ncapacity_ah = 100\n'

# IEC 60063, series E24 (the row as printed in any handbook of electronics).
E24 = (10, 11, 12, 13, 15, 16, 18, 20, 22, 24, 27, 30, 33, 36, 39, 43, 47, 51, 56, 62, 68, 75, 82, 91)

# The board's three functions, played by a computer: readings whose means are those of the page's calibration.
HOST = r"""
#include <stdint.h>
#include <stdlib.h>
static uint32_t now, taken[3];
uint32_t milliseconds(void) { return now; }
uint32_t read_input(int input) {
    uint32_t k = taken[input]++ % 10;
    if (input == 0) return 2781 + (k < 2);
    if (input == 1) return 2043 + (k < 6);
    return 620 + (k < 3);
}
void setup(void);
void loop(void);
int main(int count, char **words) {
    now = (uint32_t)strtoul(words[1], 0, 10);
    uint32_t left = (uint32_t)strtoul(words[2], 0, 10);
    (void)count;
    setup();
    while (left--) { loop(); now++; }
    return 0;
}
"""


def blocks(language: str) -> list[str]:
    return re.findall(rf"^```{language}\n(.*?)^```", PAGE, flags=re.MULTILINE | re.DOTALL)


def machine_of(block: str) -> Machine:
    """The machine of a toml block, with a pack before it where it has none; every driver has looked at its keys."""
    text = block if "[pack]" in block else PACK + block
    machine, problems = parse_machine(text, "getting-signals.md", check_settings)
    assert problems == []
    assert machine is not None
    return machine


@dataclass(frozen=True)
class Piece:
    data: bytes
    arrival: int
    lost_before: int = 0


def tells(text: str) -> None:
    """Fail unless the page says ``text``, wherever its lines are broken."""
    assert " ".join(text.split()) in " ".join(PAGE.split())


class TestMachineFiles:
    @pytest.mark.parametrize("block", blocks("toml"))
    def test_every_source_passes_its_driver_s_check(self, block: str) -> None:
        wanted = {source["driver"] for source in tomllib.loads(block)["source"]}
        missing = wanted - set(driver_names())
        if missing:
            pytest.skip(f"not installed yet: {', '.join(sorted(missing))}")
        assert {source.driver for source in machine_of(block).sources} == wanted

    def test_a_source_with_a_slip_does_not_pass(self) -> None:
        block = blocks("toml")[0].replace("time_column", "time_colum")
        machine, problems = parse_machine(block, "getting-signals.md", check_settings)
        assert machine is None
        assert any("time_column" in str(problem) for problem in problems)

    def test_addresses_are_those_kept_for_examples(self) -> None:
        hosts = re.findall(r'"(?:socket://)?(\d+\.\d+\.\d+\.\d+)(?::\d+)?"', PAGE)
        assert len(hosts) == 2
        kept = ipaddress.ip_network("192.0.2.0/24")  # RFC 5737, TEST-NET-1
        assert all(ipaddress.ip_address(host) in kept for host in hosts)


class TestTwoGrounds:
    def test_the_page_quotes_what_watch_says(self) -> None:
        tells(f"> {join.TWO_GROUNDS}")

    @pytest.mark.parametrize(("stated", "cautioned"), [(False, True), (True, False)])
    def test_watch_says_so_once_unless_they_are_isolated(
        self, stated: bool, cautioned: bool, tmp_path: Path, capsys: pytest.CaptureFixture[str]
    ) -> None:
        isolated = "isolated = true\n" if stated else ""
        text = PACK + "".join(
            f'[[source]]\ndriver = "serial-text"\nport = "{tmp_path / name}"\n{isolated}'
            for name in ("board", "pack")
        )
        machine = tmp_path / "machine.toml"
        machine.write_text(text, encoding="utf-8")
        store = str(tmp_path / "store.db")
        main(["watch", str(machine), "--no-screen", "--silent", "--for", "0.3", "--store", store])
        said = capsys.readouterr()
        assert (said.out + said.err).count(join.TWO_GROUNDS) == int(cautioned)


@pytest.fixture(scope="module")
def board(tmp_path_factory: pytest.TempPathFactory) -> Callable[[int, int], bytes]:
    """Run the sketch as a program: from a count of milliseconds, for so many; gives what it prints."""
    compiler = shutil.which("cc") or shutil.which("gcc") or shutil.which("clang")
    if compiler is None:
        pytest.skip("there is no C compiler")
    folder = tmp_path_factory.mktemp("board")
    host, program = folder / "host.c", folder / "board"
    host.write_text(HOST, encoding="ascii")
    strict = ["-std=c99", "-Wall", "-Wextra", "-Werror", "-pedantic"]
    subprocess.run([compiler, *strict, str(SKETCH), str(host), "-o", str(program)], check=True, timeout=BUSY_S)

    def run(start: int, duration: int) -> bytes:
        done = subprocess.run(
            [str(program), str(start), str(duration)], capture_output=True, check=True, timeout=BUSY_S
        )
        return done.stdout

    return run


class TestSketch:
    def test_the_page_leads_to_the_file_which_is_short(self) -> None:
        tells("](sketches/board.c)")
        assert len(SKETCH.read_text(encoding="utf-8").splitlines()) <= 36

    def test_it_prints_the_lines_that_the_page_shows(self, board: Callable[[int, int], bytes]) -> None:
        lines = board(0, 300).decode("ascii")
        assert lines in blocks("text")
        assert lines.count("\n") == 4

    def test_a_header_comes_every_five_seconds(self, board: Callable[[int, int], bytes]) -> None:
        lines = board(0, 20_000).decode("ascii").splitlines()
        headers = [place for place, line in enumerate(lines) if line.startswith("ms")]
        assert len(headers) == 4
        assert set(np.diff(headers)) == {51}  # 50 rows, ten a second, and the header itself

    def test_the_machine_file_reads_them_as_the_meter_did(self, board: Callable[[int, int], bytes]) -> None:
        batch = self.read(board(0, 20_000))
        for signal, meter in {"pack_voltage": 56.40, "pack_current": 0.0, "throttle_voltage": 0.84}.items():
            values = batch.column(signal)
            assert values is not None
            assert len(values) == 200
            assert values == pytest.approx(np.full(200, meter), abs=1e-9)
        assert set(np.diff(batch.t).tolist()) == {100_000}

    def test_the_count_of_milliseconds_may_begin_again(self, board: Callable[[int, int], bytes]) -> None:
        printed = board(2**32 - 1000, 2000)
        assert any(line.startswith(b"4294967") for line in printed.splitlines())
        assert any(re.match(rb"\d{1,3},", line) for line in printed.splitlines())
        batch = self.read(printed)
        assert len(batch) == 20
        assert np.diff(batch.t).tolist() == [100_000] * 19

    def test_a_link_joined_anywhere_gives_its_first_row_before_the_silence_limit(
        self, board: Callable[[int, int], bytes]
    ) -> None:
        settings = self.source().settings
        printed = board(0, 20_000)
        silence_s = self.source().silence_s or settings["silence_s"]
        for start in range(0, len(printed) // 2, 97):
            lines = printed[start:].split(b"\n")
            first = next(place for place, line in enumerate(lines[1:]) if line.startswith(b"ms,"))
            assert first / 10 + 0.2 < silence_s

    def test_a_slow_optocoupler_s_line_carries_it(self, board: Callable[[int, int], bytes]) -> None:
        printed = board(2**32 - 20_000, 20_000)  # the longest numbers
        assert len(printed) / 20 * 10 < 0.5 * 9600  # ten bits a byte on the line; half of it is left free

    @staticmethod
    def source() -> Any:
        (block,) = [block for block in blocks("toml") if "[machine]" in block]
        return machine_of(block).sources[0]

    def read(self, printed: bytes) -> Batch:
        batch = TextBatches(
            Group("board", "lines", ()), settings_of(SerialTextSettings, self.source().settings)
        ).feed([Piece(printed, 10**15)])
        assert batch is not None
        return batch


def parallel(*ohms: float) -> float:
    return 1 / sum(1 / each for each in ohms)


def wire_ohm(awg: int, length_m: float) -> float:
    """Resistance at 20 degC: diameter by ASTM B258, 0.127 mm x 92^((36 - n)/39); IEC 60028's 1.7241e-8 ohm metre."""
    diameter = 0.127e-3 * 92 ** ((36 - awg) / 39)
    return 1.7241e-8 * length_m / (math.pi * float(diameter) ** 2 / 4)


class TestSums:
    def test_the_wire_table_agrees_with_a_published_one(self) -> None:
        # ASTM B258 / NIST Handbook 100, AWG 24 solid copper at 20 degC: 84.2 ohm a kilometre (from memory).
        assert wire_ohm(24, 1000) == pytest.approx(84.2, rel=0.002)

    @pytest.mark.parametrize("value", ["120 kΩ", "150 kΩ", "10 kΩ", "220 kΩ", "330 kΩ", "10 Ω", "430 Ω", "1 kΩ"])
    def test_every_resistor_can_be_bought(self, value: str) -> None:
        tells(value)
        number = float(value.split()[0])
        assert round(number / 10 ** math.floor(math.log10(number)) * 10, 6) in E24

    def test_divider(self) -> None:
        above, below = 2 * 120e3, 10e3
        current = 75 / (above + below)
        tells(f"75 V × 10 / 250 | {current * below:.2f} V")
        tells(f"3.3 V × 250 / 10 | {3.3 * (above + below) / below:.1f} V")
        tells(f"82.5 V / 4095 | {82.5 / 4095 * 1e3:.1f} mV")
        tells(f"75 V / 250 kΩ | {current * 1e3:.2f} mA")
        tells(f"0.30 mA × 24 h | {current * 24e3:.1f} mAh a day")
        tells(f"(0.30 mA)² × 120 kΩ | {current**2 * 120e6:.1f} mW")
        tells(f"75 V / 120 kΩ | {75 / 120:.3f} mA, {75**2 / 120:.0f} mW")
        tells(f"(75 V − 3.6 V) / 240 kΩ | {(75 - 3.6) / 240:.2f} mA")
        tells(f"1 / (2π × 9.6 kΩ × 100 nF) | {1 / (2 * math.pi * parallel(above, below) * 100e-9):.0f} Hz")
        tells(f"3.3 V × 310 / 10 = {3.3 * 310 / 10:.1f} V")

    def test_the_heat_is_far_below_the_resistors_rating(self) -> None:
        assert 75**2 / 120e3 < 0.25 / 2  # the worst fault, on a quarter of a watt

    def test_tolerance_by_every_corner(self) -> None:
        corners = [
            75 * 25 * 10 * c / (120 * a + 120 * b + 10 * c)
            for a in (0.99, 1.01)
            for b in (0.99, 1.01)
            for c in (0.99, 1.01)
        ]
        tells(f"| {min(corners):.2f} to {max(corners):.2f} V |")

    def test_pedal(self) -> None:
        source = parallel(2.5, 2.5)  # kilohm: a 5 kilohm potentiometer at its middle
        tells(f"5 V × 330 / 550 | {5 * 330 / 550:.2f} V")
        tells(f"2.5 V × 1.25 / 551.25 | {2500 * source / (source + 550):.1f} mV")
        tells(f"2.5 V × 1.25 / 221.25 | {2500 * source / (source + 220):.0f} mV")
        touched = (2.5 / source + 75 / 220) * parallel(source, 220) - 2.5  # by Kirchhoff's current law
        tells(f"(75 V − 2.5 V) × 1.25 / 221.25 | **{touched:.2f} V**")
        floating = (75 - 2.5) * source / (source + 220 + 330 + 250)  # through divider and pedal tap, in series
        tells(f"(75 V − 2.5 V) × 1.25 / 801.25 = {floating:.2f} V")
        tells(f"1 / (2π × 132 kΩ × 10 nF) | {1 / (2 * math.pi * parallel(220e3, 330e3) * 10e-9):.0f} Hz")

    def test_shunt_and_amplifier(self) -> None:
        ohm = 0.060 / 300
        tells(f"is {ohm * 1e3:.1f} mΩ. It makes (300 A)² × 0.2 mΩ = {300**2 * ohm:.0f} W")
        tells(f"200 A and {200**2 * ohm:.0f} W")
        tells(f"1.65 V + 20 × 60 mV = {1.65 + 20 * 0.06:.2f} V, 300 A into it {1.65 - 20 * 0.06:.2f} V")
        tells(f"3.3 V / 4095 / 20 / 0.2 mΩ = {3.3 / 4095 / 20 / ohm:.2f} A")
        tells(f"at 300 A its reading is off by up to {300 * ohm * 1e3:.0f} mV")
        tells(f"75 V / 10 Ω = {75 / 10:.1f} A")

    def test_optocoupler(self) -> None:
        tells(f"(3.3 V − 1.2 V) / 430 Ω = {(3.3 - 1.2) / 430 * 1e3:.1f} mA")

    def test_calibration(self) -> None:
        (block,) = [block for block in blocks("toml") if "[machine]" in block]
        settings = tomllib.loads(block)["source"][0]
        columns = settings["columns"]
        later = {"u_raw": 3150, "i_raw": 2343, "pedal_raw": 1858}
        printed = "ms," + ",".join(later) + "\n0," + ",".join(map(str, later.values())) + "\n"
        layout = settings_of(SerialTextSettings, {k: v for k, v in settings.items() if k in KEYS})
        batch = TextBatches(Group("board", "lines", ()), layout).feed([Piece(printed.encode(), 10**15)])
        assert batch is not None
        for name, count in later.items():
            (low, true_low), (high, true_high) = columns[name]["points"]
            slope = (true_high - true_low) / (high - low)
            true = true_low + (count - low) * slope
            column = batch.column(columns[name]["signal"])
            assert column is not None
            assert column[0] == pytest.approx(true, abs=1e-9)
            tells(f"| `{name}` | {low} at {true_low:.{2 if true_low else 0}f} ")
            tells(f"| {high} at {true_high:.{1 if true_high > 100 else 2}f} ")

    def test_calibration_is_near_what_the_resistors_say(self) -> None:
        by_parts = 82.5 / 4095
        slope = 13.80 / 678.6
        tells(f"13.80 V / 678.6 = {slope * 1e3:.3f} mV a count")
        tells(f"a count of `u_raw` would be {by_parts * 1e3:.3f} mV: {(1 - by_parts / slope) * 100:.1f} % less")
        assert abs(1 - by_parts / slope) < 0.0194  # within what 1 % resistors can do

    def test_two_grounds(self) -> None:
        load, switch, cable = 64 / 150, 0.002, wire_ohm(24, 1.8)
        tells(f"a load of 150 A ({load:.3f} Ω)")
        tells(f"AWG 24 ({cable:.3f} Ω each")
        past = 150 * switch / (switch + 2 * cable)
        tells(f"it drops {150 * switch:.2f} V, and {past:.2f} A of the load goes through the laptop")
        open_switch = 64 / (load + 2 * cable)
        tells(f"the load goes on drawing {open_switch:.0f} A")
        tells(f"makes {open_switch**2 * cable / 1e3:.2f} kW of heat")

    def test_noise_and_hum(self) -> None:
        assert 1 / math.sqrt(20) < 1 / 4
        window = 0.005 * np.arange(20)
        for hum in (50, 60):  # sampled each 5 ms for 100 ms, whole periods of either
            assert abs(np.mean(np.sin(2 * math.pi * hum * window + 0.7))) < 1e-12


class TestDrawings:
    @pytest.mark.parametrize("drawing", DRAWINGS, ids=lambda path: path.stem)
    def test_each_is_well_formed_described_and_shown(self, drawing: Path) -> None:
        root = ElementTree.parse(drawing).getroot()
        assert root.tag == f"{SVG}svg"
        assert root.findtext(f"{SVG}title")
        assert root.findtext(f"{SVG}desc")
        assert f"](drawings/{drawing.name})" in PAGE

    def test_the_wiring_shows_a_fuse_at_each_tap_and_the_page_s_values(self) -> None:
        text = list(ElementTree.parse(DOCS / "drawings" / "board-wiring.svg").getroot().itertext())
        assert text.count("fuse") == 5
        tells("One at each of the five taps")
        for value in ("120 kΩ", "10 kΩ", "220 kΩ", "330 kΩ", "10 Ω", "USB isolator"):
            assert value in text
        assert text.count("120 kΩ") == 2


def test_the_cautions_are_there() -> None:
    for caution in (
        "Never bypass a seat, brake or key interlock to take a reading",
        "Wheels off the ground for every bench test",
        "Local codes and licensed practice come before this page",
        "belongs to a licensed electrician",
        "Isolate each wired source",
        "Laptop off its mains adapter",
        "Never take the frame for negative",
        "A fuse and a resistor at every tap",
    ):
        tells(caution)
