"""What is left of the drive view after a blur, as a stand-in for a shaking seat: figures, gauges, the word.

Run: ``python -m tests.benchmarks.blur [FOLDER]``; needs Pillow, of the extra ``check``. It prints which share of the
contrast is left of figures and of the word, and the contrast of a gauge itself, against the least that is asked for
at 120x40; with a folder it writes pictures too.

The blur is a Gaussian whose standard deviation is so many minutes of arc, for a display 294 mm wide (13.3 inches) at
1 m. It is no eye and no seat: nobody has tried the screen while driving.
"""

from __future__ import annotations

import math
import sys
from pathlib import Path

from PIL import Image, ImageDraw, ImageFilter, ImageStat
from rich.cells import cell_len
from rich.style import Style

from telemetry.screen.canvas import Canvas, Line
from telemetry.screen.drive_view import draw_drive
from telemetry.screen.frame import Frame, frame_for
from telemetry.screen.theme import Light, palette
from tests.screen.drive_states import scene_of

CELL = (10, 20)
DISPLAY_MM, DISTANCE_MM = 294.0, 1000.0
MINUTES = (3.0, 8.0)
SIZES = ((60, 17), (80, 24), (120, 40), (160, 45), (200, 60))
LEAST = {
    "voltage": (0.86, 0.67),
    "gauge": (0.40, 0.33),
    "speed": (0.77, 0.44),
    "charge": (0.66, 0.30),
    "word": (0.70, 0.35),
}
"""At 120x40 in sun, after 3 and 8 minutes: what the first drawing of this view kept; of the word ours."""
_NOTHING = 0.1
"""Contrast below which a part has no large figure to begin with."""
_BLOCKS = {"█": (0, 0, 1, 1), "▀": (0, 0, 1, 0.5), "▄": (0, 0.5, 1, 1), "▌": (0, 0, 0.5, 1), "▐": (0.5, 0, 1, 1)}


def picture(lines: list[Line]) -> Image.Image:
    """Return the screen as a picture; letters of plain text are left out, for they do not outlive a blur."""
    width, height = CELL
    columns = sum(cell_len(text) for text, _ in lines[0])
    image = Image.new("RGB", (columns * width, len(lines) * height))
    draw = ImageDraw.Draw(image)
    for y, line in enumerate(lines):
        x = 0
        for text, style in line:
            front, back = _colours(style)
            draw.rectangle((x * width, y * height, (x + cell_len(text)) * width - 1, (y + 1) * height - 1), fill=back)
            for place, character in enumerate(text):
                box = _BLOCKS.get(character) or _eighth(character)
                if box is not None:
                    left, top = (x + place) * width, y * height
                    edges = (
                        left + box[0] * width,
                        top + box[1] * height,
                        left + box[2] * width,
                        top + box[3] * height,
                    )
                    draw.rectangle((edges[0], edges[1], edges[2] - 1, edges[3] - 1), fill=front)
            x += cell_len(text)
    return image


def _eighth(character: str) -> tuple[float, float, float, float] | None:
    place = "▁▂▃▄▅▆▇".find(character)
    return (0, 1 - (place + 1) / 8, 1, 1) if place >= 0 else (0, 0, 1, 1 / 8) if character == "▔" else None


def _colours(style: Style) -> tuple[tuple[int, int, int], tuple[int, int, int]]:
    assert style.color is not None
    assert style.bgcolor is not None
    front, back = style.color.get_truecolor(), style.bgcolor.get_truecolor()
    return (front.red, front.green, front.blue), (back.red, back.green, back.blue)


def blurred(image: Image.Image, minutes: float) -> Image.Image:
    """Return the picture as it is after a blur of ``minutes`` of arc."""
    pixels = image.width / DISPLAY_MM * DISTANCE_MM * math.tan(math.radians(minutes / 60))
    return image.convert("L").filter(ImageFilter.GaussianBlur(pixels))


def contrast(image: Image.Image, box: tuple[int, int, int, int]) -> float:
    """Return twice the standard deviation of the greys within ``box`` (cells), 1 for half black and half white."""
    left, top, right, bottom = box
    cut = image.crop((left * CELL[0], top * CELL[1], right * CELL[0], bottom * CELL[1]))
    return 2 * ImageStat.Stat(cut).stddev[0] / 255


def boxes(frame: Frame) -> dict[str, tuple[int, int, int, int]]:
    """Return where each part is: left, top, right, bottom in cells."""
    slot = (3, 5, 5, 8)[frame.right_scale] if frame.right_scale else 1
    first, _, charge, _ = frame.slots
    end = frame.right + frame.right_width
    return {
        "voltage": (
            frame.digits_end - frame.digits,
            frame.lanes[0],
            frame.digits_end,
            frame.lanes[0] + frame.lane_rows,
        ),
        "gauge": (
            frame.gauge,
            frame.lanes[1] + 1,
            frame.gauge + 2 * (frame.wall - frame.gauge) // 3,
            frame.lanes[1] + 1 + frame.bars,
        ),
        "speed": (frame.right, first + 1, end, first + 1 + slot),
        "charge": (frame.right, charge + 1, end, charge + 1 + slot),
        "word": (2, frame.band_y, frame.band_width // 3, frame.band_y + frame.band_rows),
    }


def drawn(state: str, size: tuple[int, int], light: Light) -> Image.Image:
    """Return a state as a picture."""
    canvas = Canvas(*size, palette(light, "full"))
    draw_drive(canvas, scene_of(state))
    return picture(canvas.lines())


def main(folder: Path | None) -> None:
    parts = list(LEAST)
    print(f"{'':16}" + "".join(f"{part:>16}" for part in parts) + "   (after 3 and 8 minutes of arc)")
    for light in ("sun", "dusk"):
        for size in SIZES:
            frame = frame_for(*size)
            assert frame is not None
            images = {state: drawn(state, size, light) for state in ("working", "trip")}
            cells = []
            for part in parts:
                image = images["trip" if part == "word" else "working"]
                box = boxes(frame)[part]
                sharp = contrast(image.convert("L"), box) if part != "gauge" else 1.0
                if sharp < _NOTHING:
                    cells.append("--")
                    continue
                left = [contrast(blurred(image, minutes), box) / sharp for minutes in MINUTES]
                below = (
                    light == "sun"
                    and size == (120, 40)
                    and any(kept < least - 0.005 for kept, least in zip(left, LEAST[part], strict=True))
                )
                cells.append(f"{left[0]:.2f} {left[1]:.2f}{' !' if below else ''}")
            print(f"{light:5}{size[0]:>4}x{size[1]:<6}" + "".join(f"{cell:>16}" for cell in cells))
            if folder is not None:
                for state, image in images.items():
                    image.save(folder / f"{state}-{size[0]}x{size[1]}-{light}.png")
                    blurred(image, MINUTES[0]).save(folder / f"{state}-{size[0]}x{size[1]}-{light}-blurred.png")
    print("least at 120x40, sun:" + "".join(f"  {part} {low[0]:.2f} {low[1]:.2f}" for part, low in LEAST.items()))
    print("! marks what is below it")


if __name__ == "__main__":
    main(Path(sys.argv[1]) if len(sys.argv) > 1 else None)
