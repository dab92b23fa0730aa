"""How a tower stands: what it stands on, its steps and their boundaries, what is on top, and its layers."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace

from .chance import Chance
from .infills import Fill
from .outlines import Box, Corners, Outline
from .truth import Layer

Island = tuple[Outline, Fill | None]
"""An outline and what fills it; None: as in the rest of the part."""


@dataclass(frozen=True, slots=True)
class Mark:
    """What shows at each boundary, from `low` to `high` about it (mm): all around, or on one side from `a` to `b`.

    `depth` mm outwards, negative inwards.
    """

    low: float
    high: float
    depth: float
    side: int | None = None
    a: float = 0.0
    b: float = 0.0


@dataclass(frozen=True, slots=True)
class Steps:
    """Heights in mm. `base` is where the part begins (0, or on the raft); `share` is how much of the last step is there."""

    base: float
    plinth: float
    plinth_kind: str  # none, wide, same
    rise: float
    count: int
    share: float = 1.0
    cap: float = 0.0

    @property
    def first(self) -> float:
        return self.base + self.plinth

    @property
    def last(self) -> float:
        """Where the steps end."""
        return self.first + self.rise * (self.count - 1 + self.share)

    @property
    def top(self) -> float:
        return self.last + self.cap

    def where(self, z: float) -> tuple[int, float]:
        """The step at a height (-1: plinth, count: cap) and the height above its foot."""
        if z < self.first:
            return -1, z - self.base
        if z >= self.last:
            return self.count, z - self.last
        number = min(int((z - self.first) / self.rise), self.count - 1)
        return number, z - self.first - number * self.rise

    def at_mark(self, z: float, mark: Mark | None) -> bool:
        """Whether a mark shows at this height: at the boundaries between steps, and at plinth and cap where they are."""
        if mark is None:
            return False
        boundaries = range(0 if self.plinth else 1, self.count + (1 if self.cap else 0))
        return any(
            self.first + n * self.rise + mark.low <= z < self.first + n * self.rise + mark.high
            and self.base + self.plinth * 0.3 < z < self.last + self.cap * 0.5
            for n in boundaries
        )


Section = Callable[[int, float, float], list[Island]]
"""(step, height above its foot, height in the file) → the islands of that layer."""


@dataclass(slots=True)
class Body:
    """What a family draws: sections of the steps, the foot that plinth and cap take after, and what of it shows."""

    section: Section
    foot: Box | Corners
    mark: Mark | None = None
    plain_first: bool = False  # nothing but its height tells the first step from a plinth
    curved: tuple[float, float] | None = None  # shares of a step with thin layers
    also: list[Body] = field(default_factory=list)  # beside it on the same layers


def grown(foot: Box | Corners, by: float) -> Box | Corners:
    if isinstance(foot, Box):
        return Box(foot.x0 - by, foot.y0 - by, foot.x1 + by, foot.y1 + by)
    return replace(foot, radius=foot.radius + by)


def draw_layers(
    chance: Chance, steps: Steps, usual: float, curved: tuple[float, float] | None, varied: bool
) -> list[Layer]:
    """From the base up. `varied`: thin layers where steps are curved, or here and there along the whole part."""
    first = chance.one_of([usual, usual, 0.2, 0.25, 0.3])
    thin = max(0.1, round(usual * chance.between(0.45, 0.75), 2))
    spells = [(chance.between(0.0, 1.0), chance.between(0.04, 0.15)) for _ in range(chance.whole(2, 5))]
    layers: list[Layer] = []
    z = 0.0
    while True:
        height = usual if layers else first
        if varied and layers:
            _, above = steps.where(steps.base + z + usual / 2)
            part = z / (steps.top - steps.base)
            if curved is not None:
                height = thin if curved[0] <= above / steps.rise < curved[1] else usual
            elif any(abs(part - centre) < width for centre, width in spells):
                height = thin
        if steps.base + z + height / 2 >= steps.top:
            return layers
        z = round(z + height, 3)
        layers.append(Layer(round(steps.base + z, 3), height))
