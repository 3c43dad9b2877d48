"""A map proposed for unknown bytes is right about what the readings tell, and says where they do not tell it."""

from __future__ import annotations

import random
import tomllib
from collections.abc import Iterator
from pathlib import Path

import pytest

from drivers.decode.frame_decoder import FrameDecoder
from drivers.decode.frame_encoder import encode
from drivers.decode.frame_layout import FrameMap
from drivers.decode.frame_map import load_frame_map, read_frame_map
from drivers.decode.guess_frames import guess_kinds
from drivers.decode.guess_map import guess_map
from drivers.simulated.frames_peer import PLAIN_PACK
from telemetry.cli import main
from telemetry.model.capture import CapturedPiece, CaptureWriter
from telemetry.model.errors import InputError

SECOND = 1_000_000


def drive(seconds: int = 40) -> Iterator[tuple[int, dict[str, float]]]:
    """Give what a pack of 16 cells shows, twice a second."""
    chance = random.Random(5)
    for n in range(2 * seconds):
        current = -20.0 if n > 60 else chance.uniform(5, 90)
        cells = {f"cell_{k:02d}_voltage": 3.31 - 0.0006 * current + 0.002 * (k % 5) for k in range(1, 17)}
        values = {"pack_voltage": sum(cells.values()), "pack_current": current, "soc_reported": 80 - 0.05 * n}
        yield n * SECOND // 2, values | cells


def asked(frame_map: FrameMap) -> list[CapturedPiece]:
    pieces = []
    for t, values in drive():
        for place, request in enumerate(frame_map.requests):
            frame = encode(frame_map, request.answers[0], values)
            at = t + place * 60_000
            pieces.append(CapturedPiece(at, "pack", "out", request.data))
            pieces += [CapturedPiece(at + 20_000, "pack", "in", frame[:5])]
            pieces += [CapturedPiece(at + 21_000, "pack", "in", frame[5:])]
    return pieces


def at(second: float) -> dict[str, float]:
    return next(values for t, values in drive() if t >= second * SECOND)


def typed(*seconds: float) -> list[str]:
    return [f"{s}={at(t)[s]:.3g}@{t}" for t in seconds for s in ("pack_voltage", "pack_current", "soc_reported")]


def proposed(pieces: list[CapturedPiece], readings: list[str]) -> tuple[FrameMap, str]:
    text = "\n".join(guess_map(pieces, readings))
    frame_map, problems = read_frame_map(tomllib.loads(text))
    assert frame_map is not None, [str(problem) for problem in problems]
    return frame_map, text


def test_the_map_of_a_pack_that_is_asked_is_found_from_readings_at_two_moments() -> None:
    truth = load_frame_map(PLAIN_PACK)
    found, text = proposed(asked(truth), typed(5, 35))
    assert 'checksum = { kind = "CRC-16/MODBUS", covers = [2, -3], byte_order = "little" }' in text
    assert "pack_voltage: 1 place fits" in text
    decoder, latest = FrameDecoder(found, "pack"), dict[str, float]()
    for message, values in (("state", at(12)), ("cells", at(12)), ("state", at(38)), ("cells", at(38))):
        for batch in [*decoder.feed(encode(truth, message, values), 0), *decoder.cycle_over()]:
            latest |= dict(zip(batch.group.signals, batch.values[-1].tolist(), strict=True))
    expected = at(38)
    assert latest["pack_voltage"] == pytest.approx(expected["pack_voltage"], abs=0.01)
    assert latest["pack_current"] == pytest.approx(-20.0, abs=0.1)
    assert latest["cell_16_voltage"] == pytest.approx(expected["cell_16_voltage"], abs=0.001)


def test_one_reading_alone_is_said_to_be_ambiguous() -> None:
    text = "\n".join(guess_map(asked(load_frame_map(PLAIN_PACK)), ["pack_voltage=53"]))
    assert "places fit 53; read the meter once more at another level to tell which" in text


RANDOM = """
byte_order = "{order}"
[frame]
start = "{start:02X} {second:02X}"
length = {length}
checksum = "{checksum}"
[message.state.fields]
pack_voltage = {{ byte = {voltage}, width = 16, scale = {scale} }}
pack_current = {{ byte = {current}, width = {width}, type = "signed", scale = {amps} }}
"cell_*_voltage" = {{ byte = {cells}, width = 16, scale = 0.001, count = 16 }}
"""


def drawn(seed: int, second: int | None = None) -> FrameMap:
    """A layout of a device that speaks by itself, drawn by chance; its second byte too, where none is stated."""
    chance = random.Random(seed)
    width = chance.choice([16, 32])
    parts = [("voltage", 2), ("current", width // 8), ("cells", 32)]
    chance.shuffle(parts)
    places, byte = {}, 2
    for name, size in parts:
        byte += chance.randrange(4)
        places[name], byte = byte, byte + size
    text = RANDOM.format(
        order=chance.choice(["big", "little"]),
        start=chance.randrange(1, 256),
        second=[chance.randrange(1, 256), second][second is not None],
        checksum=chance.choice(["sum", "xor", "CRC-8/SMBUS", "CRC-16/MODBUS", "CRC-16/XMODEM"]),
        scale=chance.choice([0.1, 0.01]),
        amps=chance.choice([0.1, 0.01]),
        width=width,
        length=byte + chance.randrange(3) + 2,
        **places,
    )
    frame_map, problems = read_frame_map(tomllib.loads(text))
    assert frame_map is not None, problems
    return frame_map


def decoded(frame_map: FrameMap | None, frames: list[bytes]) -> dict[str, list[float]]:
    found: dict[str, list[float]] = {}
    decoder = None if frame_map is None else FrameDecoder(frame_map, "pack")
    for n, frame in enumerate(frames if decoder else ()):
        for batch in decoder.feed(frame, n * SECOND):
            for signal in batch.group.signals:
                found.setdefault(signal, []).extend(batch.column(signal).tolist())
    return found


def found_of(seeds: range) -> tuple[int, int]:
    """Return how many signals were found, with the right value in every frame, of how many."""
    right = total = 0
    for seed in seeds:
        truth = drawn(seed)
        frames = [encode(truth, "state", values) for _, values in drive()]
        stream = [CapturedPiece(n * SECOND // 2, "pack", "in", frame) for n, frame in enumerate(frames)]
        frame_map, _ = read_frame_map(tomllib.loads("\n".join(guess_map(stream, typed(5, 35)))))
        found, expected = decoded(frame_map, frames), decoded(truth, frames)
        total += len(expected)
        right += sum(found.get(signal) == pytest.approx(values) for signal, values in expected.items())
    return right, total


def test_layouts_drawn_by_chance_are_found() -> None:
    """Seeds not looked at while the search was written. ``python -m tests.drivers.test_frame_guess``: 30 layouts."""
    right, total = found_of(range(100, 103))
    assert right >= 0.9 * total, f"{right} of {total}"


def in_turn(seed: int, kinds: int) -> list[bytes]:
    """Frames of several kinds, one after the other, that only their second byte tells apart."""
    layouts = [drawn(seed, second=5 + kind) for kind in range(kinds)]
    return [encode(layouts[n % kinds], "state", values) for n, (_, values) in enumerate(drive())]


@pytest.mark.parametrize("kinds", [2, 3])
@pytest.mark.parametrize("together", [1000, 2, 1], ids=["a stream", "in pairs", "with pauses"])
def test_kinds_in_turn_are_not_taken_for_one_long_frame(kinds: int, together: int) -> None:
    """Seeds not looked at while the search was written."""
    for seed in range(400, 404):
        frames = in_turn(seed, kinds)
        pieces = [
            CapturedPiece((n // together) * 100_000 + n % together, "pack", "in", frame)
            for n, frame in enumerate(frames[: 4 * kinds])
        ]
        lengths = {kind.length for kind in guess_kinds(pieces)}
        assert lengths == {len(frames[0])}, seed


def test_the_command_prints_it_and_refuses_what_is_no_reading(tmp_path: Path, capsys) -> None:
    path = tmp_path / "bytes.txt"
    with path.open("w") as file:
        writer = CaptureWriter(file, 0)
        for piece in asked(load_frame_map(PLAIN_PACK)):
            writer.write(piece)
    assert main(["decode-check", "--guess", str(path), "--reading", "pack_voltage=53"]) == 0
    assert 'start = "A5 5A"' in capsys.readouterr().out
    for wrong in ("pack_voltage", "pack_volts=3", "pack_voltage=3@x"):
        assert main(["decode-check", "--guess", str(path), "--reading", wrong]) == 2
    assert main(["decode-check", str(path)]) == 2
    assert "name a frame map, or let one be proposed" in capsys.readouterr().err


def test_bytes_that_never_repeat_propose_nothing() -> None:
    chance = random.Random(1)
    noise = [CapturedPiece(n * SECOND, "pack", "in", chance.randbytes(chance.randrange(1, 60))) for n in range(40)]
    with pytest.raises(InputError, match="no frames that repeat"):
        list(guess_map(noise, []))


if __name__ == "__main__":
    print("{} of {} signals in 30 layouts".format(*found_of(range(200, 230))))
