"""From bodies to blocks: walls, infill, skins, spirals, and what stands around a part. Lengths mm."""

from __future__ import annotations

import math
from dataclasses import dataclass

from .chance import Chance
from .infills import LINE, SOLID, Fill, paths
from .layout import Body, Island, Steps, grown
from .outlines import Box, Corners, Point, Ring, area, box_of
from .pen import Pen
from .spirals import POINTS, Vase
from .truth import Layer

EXPOSED = 0.92
"""A layer is closed over if a layer near it has less than this share of its area."""


@dataclass(frozen=True, slots=True)
class Craft:
    """How a part is made: walls, what fills it, skins in layers, where seams are (first, spread)."""

    walls: int
    fill: Fill
    skin: int
    seam: str
    wide: float  # of plinth and cap around the part
    coarser: float = 1.0  # of infill, where a file would grow too long

    def spaced(self, fill: Fill) -> Fill:
        if fill.spacing <= LINE:
            return fill
        return Fill(fill.style, fill.spacing * self.coarser, fill.angle, fill.period)


def islands_of(body: Body, steps: Steps, craft: Craft, z: float) -> list[Island]:
    """With plinth and cap, which are solid."""
    step, above = steps.where(z)
    if step < 0 and steps.plinth_kind == "wide":
        return [(grown(body.foot, craft.wide), SOLID)]
    if step < 0:
        return [(outline, SOLID) for outline, _ in body.section(-1, above, z)]
    if step >= steps.count:
        return [(grown(body.foot, craft.wide * 0.8), SOLID)]
    return body.section(step, above, z)


class Builder:
    """Lays down one body after the other, layer by layer."""

    def __init__(self, pen: Pen, steps: Steps, craft: Craft, chance: Chance) -> None:
        self.pen, self.steps, self.craft, self.chance = pen, steps, craft, chance

    def prepare(self, body: Body, layers: list[Layer]) -> list[tuple[list[Island], bool]]:
        """The islands of each layer, and whether it is a skin."""
        found = [islands_of(body, self.steps, self.craft, layer.middle) for layer in layers]
        areas = [sum(area(outline.ring(0.0)) for outline, _ in islands) for islands in found]
        skin, last = self.craft.skin, len(layers) - 1
        skins = [
            skin > 0
            and (n < skin or n > last - skin or min(areas[max(0, n - skin) : n + skin + 1]) < EXPOSED * areas[n])
            for n in range(len(layers))
        ]
        return list(zip(found, skins, strict=True))

    def lay(self, islands: list[Island], skin: bool, number: int, layer: Layer) -> None:
        how = self.pen.manner
        feed = how.first_feed if number == 0 else how.print_feed
        for outline, fill in islands:
            for wall in range(self.craft.walls - 1, -1, -1):
                inset = LINE * (wall + 0.5)
                if how.arcs and isinstance(outline, Corners) and outline.true_round and outline.radius - inset > 0.5:
                    start = 0.0 if self.craft.seam == "first" else self.chance.between(0.0, math.tau)
                    self.pen.circle((outline.x, outline.y), outline.radius - inset, start, layer.height, feed)
                elif ring := outline.ring(inset):
                    start_at = 0 if self.craft.seam == "first" else self.chance.whole(0, len(ring) - 1)
                    ring = ring[start_at:] + ring[:start_at]
                    self.pen.path([*ring, ring[0]], layer.height, feed)
            inside = SOLID if skin else fill if fill is not None else self.craft.fill
            feed_in = how.first_feed if number == 0 else how.infill_feed
            for path in paths(self.craft.spaced(inside), outline, LINE * self.craft.walls, number, layer.middle):
                self.pen.path(path, layer.height, feed_in)

    def around(self, rings: list[Ring], kind: str, layer: Layer) -> None:
        """Skirt: a few loops at a distance. Brim: loops that touch."""
        x0, y0, x1, y1 = box_of(rings)
        lines, off = (3, 5.0) if kind == "skirt" else (9, LINE / 2)
        for n in range(lines - 1, -1, -1):
            ring = Box(x0, y0, x1, y1).ring(-(off + LINE * n))
            self.pen.path([*ring, ring[0]], layer.height, self.pen.manner.first_feed)

    def raft(self, rings: list[Ring], layers: list[Layer]) -> None:
        """Wide lines, then lines close together across them."""
        x0, y0, x1, y1 = box_of(rings)
        for number, layer in enumerate(layers):
            self.pen.rise(layer.z)
            ring = Box(x0, y0, x1, y1).ring(-3.0)
            spacing = 1.6 if number == 0 else 0.6
            for path in paths(Fill("lines", spacing, 0.0), Box(*ring[0], *ring[2]), 0.0, number, layer.z):
                self.pen.path(path, layer.height, self.pen.manner.first_feed, spacing * 0.6)

    def prime(self, at: Point, side: float, number: int, layer: Layer) -> None:
        """A small block beside the part, the same in every layer."""
        block = Box(at[0], at[1], at[0] + side, at[1] + side)
        self.lay([(block, Fill("lines", 1.5))], False, number, layer)

    def spiral(self, vase: Vase, layers: list[Layer], solid: int) -> None:
        """Closed layers at first, then around and up."""
        pen, usual = self.pen, layers[-1].height
        for number, layer in enumerate(layers[:solid]):
            pen.rise(layer.z)
            self.lay([(vase.outline(layer.middle), SOLID)], True, number, layer)
        z, (x, y) = layers[solid - 1].z, vase.spot
        pen.travel((x + vase.size(0.0, z) - LINE / 2, y))
        while z < layers[-1].z - usual / 2:
            for n in range(1, POINTS + 1):
                angle, up = math.tau * n / POINTS, z + usual * n / POINTS
                size = vase.size(angle, up) - LINE / 2
                pen.spiral_to(
                    (x + size * math.cos(angle), y + size * math.sin(angle)), up, usual, pen.manner.print_feed
                )
            z = round(z + usual, 6)
