"""The page of a report in a real browser: widths, two pages on paper, contrast; and the plain page's words.

Contrast is by WCAG 2.2 (https://www.w3.org/TR/WCAG22/, 1.4.3 and 1.4.11, relative luminance as defined there).
Colours as seen without one kind of cone are by Machado, Oliveira and Fernandes, "A Physiologically-based Model for
Simulation of Color Vision Deficiency" (IEEE TVCG 15, 2009), severity 1.0, matrices from memory.
"""

from __future__ import annotations

import itertools
import re
import shutil
import subprocess
from pathlib import Path

import numpy as np
import pytest

from telemetry.cli import main
from telemetry.commands.report import _page
from telemetry.report.part_table import WIDTH
from telemetry.report.plain_page import PARTS, VERDICTS, plain_name, plain_page
from telemetry.report.session_charts import moments_of
from telemetry.report.session_page import STYLE
from telemetry.report.svg_chart import COLOURS
from tests.faults.program import BUSY_S, ROOT
from tests.made_once import made_once
from tests.report.committed import committed

RECORDINGS = ROOT / "replay_data"
BROWSER = shutil.which("chromium") or shutil.which("chromium-browser") or shutil.which("google-chrome")
needs_browser = pytest.mark.skipif(BROWSER is None, reason="needs a browser")
DRIVES = ("orchard-mow", "market-round", "evening-charge")
_JARGON = ("SoC", "OCV", "mΩ", "resistance", "sag", "[pack]", "cut-off", "regen", "coulomb", "BMS", "±  ")


WEAK = {
    "continuous_discharge_a = 150": "continuous_discharge_a = 40",
    "peak_discharge_a = 300": "peak_discharge_a = 100",
    "fuse_a = 150": "fuse_a = 30",
    "connector_a = 175": "connector_a = 20",
    "controller_current_a = 140": "",
}
"""What makes a machine of many findings of the first recording's."""


@pytest.fixture(scope="module")
def weak(tmp_path_factory: pytest.TempPathFactory, part_of_mow: Path) -> str:
    """The page of a drive with many findings, as the command writes it."""
    folder = tmp_path_factory.mktemp("weak")
    machine = (RECORDINGS / "orchard.toml").read_text("utf-8")
    for strong, weak in WEAK.items():
        assert strong in machine
        machine = machine.replace(strong, weak)
    (folder / "weak.toml").write_text(machine, "utf-8")
    page = folder / "weak.html"
    assert main(["report", str(part_of_mow), "--machine", str(folder / "weak.toml"), "--html", str(page)]) == 0
    return page.read_text("utf-8")


@made_once
def shipped(name: str) -> str:
    """The page of a shipped recording."""
    found = committed(name)
    return _page(found, moments_of(found.report))


def page_of(name: str, request: pytest.FixtureRequest) -> str:
    """The page of a shipped recording, of the drive with many findings, or the plain page of the first recording."""
    if name == "weak":
        return str(request.getfixturevalue("weak"))
    return plain_page(committed("orchard-mow").report) if name == "plain" else shipped(name)


def browse(folder: Path, *words: str) -> str:
    assert BROWSER is not None
    command = [BROWSER, "--headless", "--no-sandbox", "--disable-gpu", f"--user-data-dir={folder}", *words]
    return subprocess.run(command, capture_output=True, text=True, timeout=BUSY_S, check=True).stdout


@pytest.mark.slow
@needs_browser
@pytest.mark.skipif(shutil.which("pdfinfo") is None, reason="needs pdfinfo")
@pytest.mark.parametrize("name", [*DRIVES, "weak", "plain"])
def test_it_prints_on_two_pages(tmp_path: Path, name: str, request: pytest.FixtureRequest) -> None:
    out, page = tmp_path / "page.pdf", tmp_path / "page.html"
    page.write_text(page_of(name, request), "utf-8")
    browse(tmp_path / "profile", "--no-pdf-header-footer", f"--print-to-pdf={out}", page.as_uri())
    said = subprocess.run(["pdfinfo", str(out)], capture_output=True, text=True, check=True).stdout
    assert int(re.search(r"Pages:\s+(\d+)", said)[1]) <= (1 if name == "plain" else 2)  # type: ignore[index]
    assert re.search(r"Page size:\s+59[45]\S* x 84[12]", said), "A4"


_MEASURE = """<script>
addEventListener("load", () => { const page = document.documentElement;
  const is_out = each => each.getBoundingClientRect().right > innerWidth + 1;
  const wide = [...document.querySelectorAll("*")].filter(each => !each.closest("details, svg") && is_out(each));
  document.title = "measured " + page.scrollWidth + " " + innerWidth + " " + wide.length; });</script>"""


_FRAME = '<iframe src="inner.html" width="{}" height="900" style="border:0"></iframe>'
_WIDTHS = (390, 500, 800, 1000, 1400)
_OUTER = (
    "".join(map(_FRAME.format, _WIDTHS))
    + """<p id="out"></p><script>
const frames = [...document.querySelectorAll("iframe")]; const look = () => {
  const titles = frames.map(each => each.contentDocument ? each.contentDocument.title : "");
  const ready = titles.every(each => each.startsWith("measured"));
  if (ready) document.getElementById("out").textContent = titles.join("; "); else setTimeout(look, 50); };
look();</script>"""
)


@needs_browser
@pytest.mark.parametrize("name", [*DRIVES, "plain"])
def test_nothing_is_wider_than_the_window(tmp_path: Path, name: str, request: pytest.FixtureRequest) -> None:
    """Headless windows are 500 wide at least, so a telephone's width is that of a frame within one."""
    inner = tmp_path / "inner.html"
    inner.write_text(page_of(name, request).replace("</body>", f"{_MEASURE}</body>"), "utf-8")
    outer = tmp_path / "outer.html"
    outer.write_text(_OUTER, "utf-8")
    flags = ("--allow-file-access-from-files", "--virtual-time-budget=5000", "--window-size=1600,1000", "--dump-dom")
    said = re.findall(r"measured (\d+) (\d+) (\d+)", browse(tmp_path / "profile", *flags, outer.as_uri()))
    assert len(said) == len(_WIDTHS)
    for width, (scroll, window, wide) in zip(_WIDTHS, said, strict=True):
        assert int(window) <= width
        assert int(scroll) <= int(window), width
        assert int(wide) == 0, width


# Contrast and colour vision, from the style itself


def colours(dark: bool) -> dict[str, str]:
    light, night = re.findall(r":root \{(.*?)\}", " ".join(STYLE.split()))[:2]
    found = dict(re.findall(r"--([\w-]+): (#\w+)", light))
    return found | dict(re.findall(r"--([\w-]+): (#\w+)", night)) if dark else found


def linear(colour: str) -> np.ndarray:
    digits = colour.lstrip("#")
    digits = "".join(2 * each for each in digits) if len(digits) == 3 else digits
    share = np.array([int(digits[place : place + 2], 16) / 255 for place in (0, 2, 4)])
    return np.where(share <= 0.04045, share / 12.92, ((share + 0.055) / 1.055) ** 2.4)


def contrast(one: str, other: str) -> float:
    lights = sorted(float(linear(each) @ [0.2126, 0.7152, 0.0722]) for each in (one, other))
    return (lights[1] + 0.05) / (lights[0] + 0.05)


@pytest.mark.parametrize("dark", [False, True])
def test_text_and_lines_have_the_contrast_of_the_standard(dark: bool) -> None:
    assert contrast("#000", "#fff") == pytest.approx(21.0)
    found = colours(dark)
    for name in ("ink", "quiet"):
        assert contrast(found[name], found["page"]) >= 4.5, name
    for badge in ("holds", "near", "past", "act"):
        assert contrast(found[f"{badge}-ink"], found[badge]) >= 4.5, badge
    for line in ("wall", "bar", "bar-near", "bar-past", "power", "voltage", "cell"):
        assert contrast(found[line], found["page"]) >= 3.0, line
    for bar in ("wall", "bar", "bar-near", "bar-past"):
        assert contrast(found[bar], found["track"]) >= 3.0, bar


_SEEN = {
    "without red": (0.152286, 1.052583, -0.204868, 0.114503, 0.786281, 0.099216, -0.003882, -0.048116, 1.051998),
    "without green": (0.367322, 0.860646, -0.227968, 0.280085, 0.672501, 0.047413, -0.011820, 0.042940, 0.968881),
    "without blue": (1.255528, -0.076749, -0.178779, -0.078411, 0.930809, 0.147602, 0.004733, 0.691367, 0.303900),
}


@pytest.mark.parametrize("dark", [False, True])
@pytest.mark.parametrize("seen", sorted(_SEEN))
def test_bars_of_the_three_levels_differ_for_every_kind_of_colour_vision(dark: bool, seen: str) -> None:
    found = colours(dark)
    lab = {
        name: to_lab(np.reshape(_SEEN[seen], (3, 3)) @ linear(found[name]))
        for name in ("bar", "bar-near", "bar-past")
    }
    names = sorted(lab)
    for place, one in enumerate(names):
        for other in names[place + 1 :]:
            assert float(np.linalg.norm(lab[one] - lab[other])) > 10.0, (one, other)


def test_curves_of_charts_can_be_seen_and_told_apart_on_the_page_and_on_the_card_of_the_dark_one() -> None:
    for dark in (False, True):
        assert min(contrast(colour, colours(dark)["card"]) for colour in COLOURS) >= 3.0
        assert contrast("#111", colours(dark)["card"]) >= 4.5
    for matrix in (np.eye(3), *(np.reshape(each, (3, 3)) for each in _SEEN.values())):
        lab = [to_lab(matrix @ linear(colour)) for colour in COLOURS]
        assert min(float(np.linalg.norm(a - b)) for a, b in itertools.combinations(lab, 2)) >= 30.0


def to_lab(rgb: np.ndarray) -> np.ndarray:
    """CIE 1976 L*a*b* of linear sRGB, white D65 (CIE 15)."""
    matrix = np.array([[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]])
    xyz = matrix @ np.clip(rgb, 0.0, 1.0) / np.array([0.95047, 1.0, 1.08883])
    f = np.where(xyz > (6 / 29) ** 3, np.cbrt(xyz), xyz / (3 * (6 / 29) ** 2) + 4 / 29)
    return np.array([116 * f[1] - 16, 500 * (f[0] - f[1]), 200 * (f[1] - f[2])])


# What the page says


def test_the_page_has_the_order_of_reading() -> None:
    page = shipped("orchard-mow")
    order = [
        "<h1>",
        'class="verdict"',
        "<strong>Next:</strong>",
        "<h2>Every part against its limit</h2>",
        "<h2>The drive</h2>",
        "Cells against the middle one",
        "<h2>Figures</h2>",
        "<h2>What this drive could not show</h2>",
        "<details>",
        "<footer>",
    ]
    places = [page.index(each) for each in order]
    assert places == sorted(places)
    assert "<script" not in page
    levels = re.findall(r'<td><span class="badge ([\w-]+)">', page)
    ranks = [("past", "near", "holds", "not-judged").index(level) for level in levels]
    assert ranks == sorted(ranks), "worst first, unknown last"


def test_the_plain_page_has_no_jargon_and_every_part_once() -> None:
    page = plain_page(committed("orchard-mow").report)
    body = re.sub(r"<[^>]*>", " ", page[page.index("<body>") :])
    for word in _JARGON:
        assert word not in body, word
    assert "It drives" in body
    assert body.count("battery cells") == 1
    assert len(VERDICTS) == 4
    assert {plain_name(key) for key in ("pack-peak-current", "pack-low-voltage", "lowest-cell")} == {
        "battery current",
        "battery voltage",
        "battery cells",
    }
    assert len(PARTS) > 10


def test_the_plain_report_is_written_and_printed(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    words = ["report", str(RECORDINGS / "market-round.csv.gz"), "--machine", str(RECORDINGS / "market.toml")]
    page = tmp_path / "plain.html"
    assert main([*words, "--plain", "--html", str(page)]) == 0
    assert page.read_text("utf-8") == plain_page(committed("market-round").report)
    said = capsys.readouterr().out
    assert "WHAT IT DID" in said
    assert "ITS PARTS" in said
    assert all(len(line) <= WIDTH for line in said.splitlines())
