"""Checksums of frames: sums, exclusive or, and cyclic redundancy checks by name or by parameters. Pure.

The parameters of a cyclic redundancy check are those of the usual description: width, polynomial without its highest
term, initial value, whether bytes go in and the result comes out with their bits reflected, and what the result is
combined with. ``check`` of each entry is the checksum of the nine ASCII characters ``123456789``, published with the
parameters in the public catalogue of parametrised CRC algorithms.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cache
from typing import Protocol


class Checksum(Protocol):
    """A number that is computed from bytes."""

    @property
    def width(self) -> int:
        """Bits of the number."""
        ...

    def of(self, data: bytes) -> int:
        """Return the checksum of ``data``."""
        ...


@dataclass(frozen=True, slots=True)
class Sum:
    """The sum of ``initial`` and all bytes modulo 2 ** width.

    Or its ones' complement (bits turned) or two's complement (negated).
    """

    width: int = 8
    complement: int = 0
    """0 for the plain sum, 1 for the ones' complement, 2 for the two's complement."""
    initial: int = 0

    def of(self, data: bytes) -> int:
        """Return the checksum of ``data``."""
        total = self.initial + sum(data)
        if self.complement == 1:
            total = ~total
        elif self.complement == 2:
            total = -total
        return total & ((1 << self.width) - 1)


@dataclass(frozen=True, slots=True)
class Xor:
    """``initial`` and all bytes combined by exclusive or."""

    width: int = 8
    initial: int = 0

    def of(self, data: bytes) -> int:
        """Return the checksum of ``data``."""
        # One big number folded in halves: a hundred times as fast as byte by byte.
        size = 1 << max(len(data) - 1, 0).bit_length()
        number = int.from_bytes(data, "big")
        while size > 1:
            size //= 2
            number = (number >> (8 * size)) ^ (number & ((1 << (8 * size)) - 1))
        return number ^ self.initial


@dataclass(frozen=True, slots=True)
class Crc:
    """A cyclic redundancy check.

    Attributes:
        width: bits, 3 to 64.
        polynomial: without the term x ** width.
        initial: value of the register before the first byte.
        reflect_in: bytes go in least significant bit first.
        reflect_out: the result comes out with its bits reversed.
        xor_out: what the result is combined with by exclusive or.

    """

    width: int
    polynomial: int
    initial: int = 0
    reflect_in: bool = False
    reflect_out: bool = False
    xor_out: int = 0

    def of(self, data: bytes) -> int:
        """Return the checksum of ``data``."""
        table = _table(self.width, self.polynomial, self.reflect_in)
        if self.reflect_in:
            register = reflected(self.initial, self.width)
            for byte in data:
                register = (register >> 8) ^ table[(register ^ byte) & 0xFF]
            if not self.reflect_out:
                register = reflected(register, self.width)
        else:
            # A register narrower than a byte is held at the top of one, so that one loop serves all widths.
            spare = max(8 - self.width, 0)
            register, high = self.initial << spare, self.width + spare - 8
            mask = (1 << (self.width + spare)) - 1
            for byte in data:
                register = ((register << 8) & mask) ^ table[(register >> high) ^ byte]
            register >>= spare
            if self.reflect_out:
                register = reflected(register, self.width)
        return register ^ self.xor_out


def reflected(value: int, width: int) -> int:
    """Return the lowest ``width`` bits of ``value`` in the opposite order."""
    return int(f"{value & ((1 << width) - 1):0{width}b}"[::-1], 2)


@cache
def _table(width: int, polynomial: int, reflect: bool) -> tuple[int, ...]:
    """Return what each byte does to an empty register."""
    if reflect:
        step = _reflected_step(reflected(polynomial, width))
        return tuple(step(byte) for byte in range(256))
    spare = max(8 - width, 0)
    step = _plain_step(polynomial << spare, width + spare)
    return tuple(step(byte << (width + spare - 8)) for byte in range(256))


def _reflected_step(polynomial: int) -> Callable[[int], int]:
    def step(register: int) -> int:
        for _ in range(8):
            register = (register >> 1) ^ (polynomial if register & 1 else 0)
        return register

    return step


def _plain_step(polynomial: int, width: int) -> Callable[[int], int]:
    top, mask = 1 << (width - 1), (1 << width) - 1

    def step(register: int) -> int:
        for _ in range(8):
            register = ((register << 1) & mask) ^ (polynomial if register & top else 0)
        return register

    return step


@dataclass(frozen=True, slots=True)
class Named:
    """An entry of the catalogue: the parameters, their published check value, and other names in use."""

    crc: Crc
    check: int
    also: tuple[str, ...] = ()


CATALOGUE: dict[str, Named] = {
    "CRC-8/SMBUS": Named(Crc(8, 0x07), 0xF4, ("CRC-8",)),
    "CRC-8/SAE-J1850": Named(Crc(8, 0x1D, 0xFF, False, False, 0xFF), 0x4B),
    "CRC-8/AUTOSAR": Named(Crc(8, 0x2F, 0xFF, False, False, 0xFF), 0xDF),
    "CRC-8/MAXIM": Named(Crc(8, 0x31, 0x00, True, True, 0x00), 0xA1, ("CRC-8/MAXIM-DOW",)),
    "CRC-16/MODBUS": Named(Crc(16, 0x8005, 0xFFFF, True, True, 0x0000), 0x4B37),
    "CRC-16/IBM-3740": Named(Crc(16, 0x1021, 0xFFFF), 0x29B1, ("CRC-16/CCITT-FALSE",)),
    "CRC-16/XMODEM": Named(Crc(16, 0x1021), 0x31C3),
    "CRC-16/KERMIT": Named(Crc(16, 0x1021, 0x0000, True, True, 0x0000), 0x2189, ("CRC-16/CCITT",)),
    "CRC-16/ARC": Named(Crc(16, 0x8005, 0x0000, True, True, 0x0000), 0xBB3D),
    "CRC-16/X-25": Named(Crc(16, 0x1021, 0xFFFF, True, True, 0xFFFF), 0x906E, ("CRC-16/IBM-SDLC",)),
    "CRC-32": Named(Crc(32, 0x04C11DB7, 0xFFFFFFFF, True, True, 0xFFFFFFFF), 0xCBF43926, ("CRC-32/ISO-HDLC",)),
    "CRC-32C": Named(Crc(32, 0x1EDC6F41, 0xFFFFFFFF, True, True, 0xFFFFFFFF), 0xE3069283, ("CRC-32/ISCSI",)),
}
"""Cyclic redundancy checks by name, each with the published checksum of ``123456789``."""


def known_checksums() -> list[str]:
    """Return every name that :func:`named_crc` knows."""
    return [name for entry, named in CATALOGUE.items() for name in (entry, *named.also)]


def named_crc(name: str) -> Crc | None:
    """Return the cyclic redundancy check of that name, in any letter case; None where there is none."""
    wanted = name.upper()
    for entry, named in CATALOGUE.items():
        if wanted in (entry, *named.also):
            return named.crc
    return None
