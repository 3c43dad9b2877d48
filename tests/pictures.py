"""Pictures of the screen for the documentation, drawn by the program; ``python -m tests.pictures`` writes them."""

from __future__ import annotations

import re
import time
from collections.abc import Iterator
from html import escape
from pathlib import Path

from rich.cells import cell_len
from rich.style import Style

from telemetry.screen.canvas import Canvas, Line
from telemetry.screen.drive_view import draw_drive
from telemetry.screen.theme import Light, palette
from tests.screen import trace_states
from tests.screen.drive_states import scene_of
from tests.screen.trace_states import scene_at

FOLDER = Path(__file__).parents[1] / "docs" / "pictures"
PICTURES: dict[str, tuple[str, tuple[int, int], Light]] = {
    "drive-working": ("working", (120, 40), "sun"),
    "drive-stop": ("trip", (120, 40), "dusk"),
    "drive-charging": ("charging", (80, 24), "sun"),
    "traces-review": ("review", (120, 40), "sun"),
}
_WIDTH, _HEIGHT = 9, 18
_BLOCKS = {"█": (0, 0, 1, 1), "▀": (0, 0, 1, 0.5), "▄": (0, 0.5, 1, 0.5), "▌": (0, 0, 0.5, 1), "▐": (0.5, 0, 0.5, 1)}
_BLOCKS |= {"▔": (0, 0, 1, 0.125)} | {c: (0, 1 - n / 8, 1, n / 8) for n, c in enumerate("▁▂▃▄▅▆▇", start=1)}
_PIECES = re.compile(rf"([{''.join(_BLOCKS)}])\1*|[^ {''.join(_BLOCKS)}]+(?: [^ {''.join(_BLOCKS)}]+)*")


def svg(lines: list[Line]) -> str:
    """Return rows of runs as an SVG picture; blocks are drawn, so that no font decides how they look."""
    columns = sum(cell_len(text) for text, _ in lines[0])
    page = _colours(lines[0][0][1])[1]
    size = f'width="{columns * _WIDTH}" height="{len(lines) * _HEIGHT}"'
    shapes = [f'<rect {size} fill="{page}"/>']
    for y, line in enumerate(lines):
        x = 0
        for text, style in line:
            shapes += _run(x, y, text, style, page)
            x += cell_len(text)
    body = "\n".join(shapes)
    box = f'viewBox="0 0 {columns * _WIDTH} {len(lines) * _HEIGHT}"'
    font = 'font-family="DejaVu Sans Mono, Consolas, Menlo, monospace" font-size="15"'
    return f'<svg xmlns="http://www.w3.org/2000/svg" {size} {box} {font}>\n{body}\n</svg>\n'


def _run(x: int, y: int, text: str, style: Style, page: str) -> Iterator[str]:
    front, back = _colours(style)
    if back != page:
        yield _rect(x, y, (0, 0, len(text), 1), back)
    for piece in _PIECES.finditer(text):
        said, at = piece[0], x + piece.start()
        if said[0] in _BLOCKS:
            left, top, width, height = _BLOCKS[said[0]]
            if width == 1:
                yield _rect(at, y, (left, top, len(said), height), front)
            else:
                yield from (_rect(at + n, y, (left, top, width, height), front) for n in range(len(said)))
        else:
            bold = ' font-weight="bold"' if style.bold else ""
            place = f'x="{at * _WIDTH}" y="{y * _HEIGHT + 14}" textLength="{len(said) * _WIDTH}"'
            yield f'<text {place} fill="{front}"{bold} xml:space="preserve">{escape(said)}</text>'


def _rect(x: int, y: int, box: tuple[float, float, float, float], colour: str) -> str:
    left, top, width, height = box
    numbers = ((x + left) * _WIDTH, (y + top) * _HEIGHT, width * _WIDTH, height * _HEIGHT)
    place = " ".join(f'{name}="{n:g}"' for name, n in zip(("x", "y", "width", "height"), numbers, strict=True))
    return f'<rect {place} fill="{colour}"/>'


def _colours(style: Style) -> tuple[str, str]:
    assert style.color is not None
    assert style.bgcolor is not None
    return style.color.get_truecolor().hex, style.bgcolor.get_truecolor().hex


def drawn(name: str) -> str:
    """Return the picture of that name."""
    state, size, light = PICTURES[name]
    canvas = Canvas(*size, palette(light, "full"))
    if name.startswith("traces"):
        make, word = trace_states.STATES[state]
        traces = make(size)
        traces.draw(canvas, scene_at(traces, word))
    else:
        draw_drive(canvas, scene_of(state))
    return svg(canvas.lines())


if __name__ == "__main__":
    import os

    os.environ["TZ"] = "UTC"
    time.tzset()
    FOLDER.mkdir(exist_ok=True)
    for each in PICTURES:
        (FOLDER / f"{each}.svg").write_text(drawn(each), "utf-8")
