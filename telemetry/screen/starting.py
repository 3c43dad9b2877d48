"""What the screen shows until the run is there: the drive view with its places and labels, and no value yet."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable

from telemetry.model.errors import printable
from telemetry.screen.canvas import Canvas, Line
from telemetry.screen.digits import UNKNOWN
from telemetry.screen.footer import draw_footer
from telemetry.screen.frame import Frame, frame_for
from telemetry.screen.gauge import Gauge
from telemetry.screen.parts import Slot, draw_lane, draw_name, draw_slot, draw_top, draw_wall
from telemetry.screen.prompt import draw_message, leave_question
from telemetry.screen.theme import Colours, lacks_eighths, palette
from telemetry.screen.units import UNITS, UnitsName

_LANES = (("VOLTAGE", "VOLTAGE", "V"), ("CURRENT", "CURRENT", "A"), ("LOWEST CELL", "CELL", "V"))
_KEYS_AT_MOST = 50
_LEAVING = ("q", "ctrl+c", "ctrl+q")


class Starting:
    """The first face of the screen; a :class:`telemetry.screen.terminal.Face`.

    Args:
        machine_name: shown at the top.
        colours: how many the terminal takes.
        units: of speed and temperature.
        leave: leaves the screen.

    Attributes:
        keys: pressed so far, with the character that each types; whoever comes after takes them.

    """

    def __init__(self, machine_name: str, colours: Colours, units: UnitsName, leave: Callable[[], None]) -> None:
        self._name = printable(machine_name)
        self._palette = palette("sun", colours, lacks_eighths(colours))
        self._units = UNITS[units]
        self._leave = leave
        self.keys: deque[tuple[str, str | None]] = deque(maxlen=_KEYS_AT_MOST)

    def begin(self, _screen: object, /) -> None:
        """Nothing has to begin."""

    @property
    def _asks(self) -> bool:
        return bool(self.keys) and self.keys[-1][0] in _LEAVING

    def press(self, key: str, character: str | None, /) -> None:
        """Keep a key; ``q`` twice leaves, and after one ``q`` any other key takes it back."""
        if not self._asks:
            self.keys.append((key, character))
        elif key in _LEAVING:
            self._leave()
        else:
            self.keys.pop()

    def click(self, _x: int, _y: int, /) -> None:
        """Nothing is there to be clicked."""

    def scroll(self, _step: int, /) -> None:
        """Nothing is there to be moved."""

    def lines(self, width: int, height: int, /) -> list[Line]:
        """Return the view without values."""
        canvas = Canvas(width, height, self._palette)
        end = canvas.label(draw_name(canvas, self._name), 0, "starting")
        frame = frame_for(width, height)
        if frame is None:
            for y, text in enumerate([name for name, _, _ in _LANES] + [slot.label for slot in self._slots()], 1):
                canvas.put(1, y, text)
        else:
            self._draw(canvas, frame, end)
        if self._asks:
            draw_message(canvas, leave_question("leaves"), asks=True)
        else:
            draw_footer(canvas, "1", (), is_replay=False)
        return canvas.lines()

    def _draw(self, canvas: Canvas, frame: Frame, end: int) -> None:
        draw_top(canvas, frame, end, "STARTING", canvas.palette.inverse)
        for (name, short, _), y in zip(_LANES, frame.lanes, strict=True):
            draw_lane(canvas, frame, y, UNKNOWN, Gauge(name, short, ""))
        draw_wall(canvas, frame)
        for slot, y in zip(self._slots(), frame.slots, strict=True):
            draw_slot(canvas, frame, slot, y)
        canvas.label(1, frame.band_y + frame.band_rows - 1, "starting; keys are kept until the run is there")

    def _slots(self) -> tuple[Slot, Slot, Slot, Slot]:
        return (
            Slot("SPEED", self._units.speed, UNKNOWN),
            Slot("POWER", "kW", UNKNOWN),
            Slot("CHARGE", "%", UNKNOWN),
            Slot("HOTTEST", self._units.temperature, UNKNOWN),
        )
