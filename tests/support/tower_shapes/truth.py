"""What is true of a tower, and which answers are as good.

The truth is what the tower was drawn with: the height `plinth` at which the first step stands, the nominal `rise` of each
step, and the `count` of steps. A layer belongs to the step that holds its middle. Where a rise is no whole number of
layers, the boundaries that can be seen lie up to half a layer beside the nominal ones.

As good are:

- another line of boundaries, if each is within half a layer (the thickest of the file) of the true one, or puts every
  layer into the same step: nobody can see more than that. The rise must be within half a layer too;
- a boundary anywhere in a groove, ring or notch that stands between two steps (`mark`): it belongs to neither;
- where the lowest step is plain and stands on the bed, a plinth as high as one step, and a step fewer (`lows`);
- where the last step was left incomplete, with and without it (`highs`).
"""

from __future__ import annotations

from dataclasses import dataclass

HAIR = 1e-3
"""mm: rounding of what is written, on either side."""


@dataclass(frozen=True, slots=True)
class Truth:
    """Lengths in mm; boundary k lies at plinth + k × rise, and the steps counted reach from one of `lows` to one of `highs`."""

    plinth: float
    rise: float
    count: int
    lows: tuple[int, ...] = (0,)
    highs: tuple[int, ...] = ()
    mark: tuple[float, float] = (0.0, 0.0)


@dataclass(frozen=True, slots=True)
class Layer:
    """Top and height, mm."""

    z: float
    height: float

    @property
    def middle(self) -> float:
        return self.z - self.height / 2


@dataclass(frozen=True, slots=True)
class Tower:
    """A part as G-code and what is true of it; `truth` is None where it has no regular steps."""

    seed: int
    gcode: bytes
    family: str
    truth: Truth | None
    layers: tuple[Layer, ...]

    @property
    def plinth_mm(self) -> float | None:
        return None if self.truth is None else self.truth.plinth

    @property
    def rise_mm(self) -> float | None:
        return None if self.truth is None else self.truth.rise

    @property
    def count(self) -> int | None:
        return None if self.truth is None else self.truth.count

    @property
    def blocks(self) -> int:
        return self.gcode.count(b"\n")

    def accepts(self, plinth: float, rise: float, count: int) -> bool:
        """Whether these steps are the true ones, or as good."""
        truth = self.truth
        if truth is None:
            return False
        half = max(layer.height for layer in self.layers) / 2 + HAIR
        if abs(rise - truth.rise) > half:
            return False
        for low in truth.lows:
            for high in truth.highs or (truth.count,):
                if high - low == count and all(
                    self._near(plinth + n * rise, truth.plinth + (low + n) * truth.rise, truth.mark, half)
                    for n in range(count + 1)
                ):
                    return True
        return False

    def _near(self, answer: float, true: float, mark: tuple[float, float], half: float) -> bool:
        if true + mark[0] - half <= answer <= true + mark[1] + half:
            return True
        return self._below(answer) == self._below(true)

    def _below(self, z: float) -> int:
        """How many layers belong below a height."""
        return sum(layer.middle < z for layer in self.layers)
