"""Damage to bytes on a line, from a seed alone."""

from __future__ import annotations

import math
import re
from random import Random

# Words whose digits may be lost; a word keeps at least one digit, or the loss would be no value but a missing word.
_VALUE = re.compile(rb"([XYZESRK])(-?\d[\d.]*)")
_BITS = 8


class Noise:
    """Flips single bits: each byte with a probability, and on demand the next piece of a line."""

    def __init__(self, probability: float, seed: str) -> None:
        if not 0.0 <= probability < 1.0:
            raise ValueError(f"noise = {probability:g} is no probability below 1")
        self.flips = 0  # single bits still to be flipped on demand
        self._log = math.log1p(-probability) if probability else 0.0
        self._rng = Random(seed)
        self._quiet = self._gap()

    def pass_on(self, data: bytes, least: int = 1) -> bytes:
        """The bytes as they arrive; a demanded flip waits for a piece of at least `least` bytes."""
        if not self._log and not self.flips:
            return data
        damaged = bytearray(data)
        if self.flips and len(damaged) >= least:
            self.flips -= 1
            self._flip(damaged, self._rng.randrange(len(damaged)))
        if self._log:
            at = self._quiet
            while at < len(damaged):
                self._flip(damaged, at)
                at += 1 + self._gap()
            self._quiet = at - len(damaged)
        return bytes(damaged)

    def _gap(self) -> int:
        """Bytes that pass unharmed before the next that does not: the geometric distribution."""
        return int(math.log(1.0 - self._rng.random()) / self._log) if self._log else 0

    def _flip(self, data: bytearray, at: int) -> None:
        data[at] ^= 1 << self._rng.randrange(_BITS)


def lose_unseen(raw: bytes) -> bytes | None:
    """The line with two bytes lost, or exchanged, so that an 8-bit XOR cannot tell; None where it has no such pair."""
    star = raw.rfind(b"*")
    words = list(_VALUE.finditer(raw, 0, star if star >= 0 else len(raw)))
    for word in words:  # two equal digits cancel out
        start, value = word.start(2), word.group(2)
        digits = [at for at, byte in enumerate(value) if chr(byte).isdigit()]
        for first in digits:
            for second in digits:
                if first < second and value[first] == value[second] and len(digits) > 2:
                    left = value[:first] + value[first + 1 : second] + value[second + 1 :]
                    if float(left) != float(value):  # E1.00 for E1.0000 would be no harm
                        return raw[:start] + left + raw[start + len(value) :]
    for word in words:  # an exchange of two neighbours leaves the XOR as it is
        start, value = word.start(2), word.group(2)
        for at in range(len(value) - 1):
            pair = value[at : at + 2]
            if pair.isdigit() and pair[0] != pair[1]:
                return raw[: start + at] + pair[::-1] + raw[start + at + 2 :]
    return None
