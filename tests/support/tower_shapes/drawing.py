"""From a seed to a tower: which family, how it stands, how it is made and how the file is written."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace

from . import box_families as b
from . import negatives as n
from . import round_families as r
from . import spirals
from .chance import Chance
from .infills import STYLES, Fill
from .layout import Body, Island, Steps, draw_layers, grown
from .outlines import Box, Point, Ring, box_of
from .pen import Manner, Pen
from .printing import Builder, Craft
from .spirals import Vase
from .truth import Layer, Tower, Truth

Family = Callable[[Chance, Steps, Point, float], Body]

FAMILIES: dict[str, tuple[Family, ...]] = {
    "arch": (b.arch,),
    "window": (b.window,),
    "cone": (b.cone_steps, r.cones),
    "taper": (b.taper, r.tapered),
    "raised": (b.raised,),
    "engraved": (b.engraved,),
    "stepped": (b.stepped,),
    "notched": (b.notched, r.fluted),
    "densities": (b.densities,),
    "patterns": (b.patterns,),
    "wedges": (b.wedges,),
    "turned": (r.turned,),
    "rings": (r.rings,),
    "beads": (r.beads,),
    "composite": (b.composite,),
    "two towers": (r.cones, b.cone_steps, r.rings, b.wedges, b.notched),
    "string gap": (r.slim, b.thin),
    "vase bulges": (),
    "vase flares": (),
    "in turn": (r.rings, b.arch, b.raised, r.cones, b.thin),
}
"""Those with regular steps, and what draws them."""
NEGATIVES: dict[str, Family | None] = {
    "plain box": n.plain_box,
    "plain cylinder": n.plain_cylinder,
    "plain cone": n.plain_cone,
    "smooth vase": None,
    "sculpture": n.sculpture,
    "single": n.single,
    "irregular": n.irregular,
    "brick": n.brick,
    "sponge": n.sponge,
    "turning": n.turning,
}
"""Those without."""
EVERY = 5
"""Each fifth seed has no steps."""
MOST_BLOCKS, LEAST_BLOCKS = 30_000, 3_000  # aimed at; a few files miss it by a tenth or two
SHORTER = ((1.5, 3, 4), (2.2, 2, 3), (3.2, 2, 2), (5.0, 1, 1), (8.0, 1, 0))
LONGER = ((0.7, 2), (0.5, 3), (0.35, 4), (0.35, 6))
"""Infill spacings tried, times what was drawn, with walls at most (or at least) and layers of skin at most."""
SPREAD = ("two towers", "string gap", "in turn")
SIMPLE = ("densities", "patterns")
"""Whose boundaries only the infill shows: they get no other."""


def family_of(seed: int) -> str:
    """Families take turns, so that any hundred seeds hold each of them."""
    if seed % EVERY == EVERY - 1:
        return list(NEGATIVES)[seed // EVERY % len(NEGATIVES)]
    return list(FAMILIES)[(seed - seed // EVERY) % len(FAMILIES)]


@dataclass(slots=True)
class _Sketch:
    """All that was drawn before anything is laid down."""

    family: str
    steps: Steps
    craft: Craft
    manner: Manner
    raft: list[Layer]
    layers: list[Layer]
    groups: list[list[Body]]  # printed one after another; the bodies of one group on the same layers
    vase: Vase | None
    foot: str  # skirt, brim or nothing
    purge: bool
    prime: bool
    heat: tuple[int, int]
    fan_from: int
    seams: int  # seed of the seams


def tower(seed: int) -> Tower:
    """The tower of a seed."""
    sketch = _sketched(seed)
    lines, drawn = _printed(sketch), sketch.craft
    if len(lines) > MOST_BLOCKS:
        for times, walls, skin in SHORTER:
            sketch.craft = replace(drawn, coarser=times, walls=min(drawn.walls, walls), skin=min(drawn.skin, skin))
            if len(lines := _printed(sketch)) <= MOST_BLOCKS:
                break
    elif len(lines) < LEAST_BLOCKS:
        sketch.manner = replace(sketch.manner, arcs=False)
        for times, walls in LONGER:
            sketch.craft = replace(drawn, coarser=times, walls=max(drawn.walls, walls))
            if len(lines := _printed(sketch)) >= LEAST_BLOCKS:
                break
    text = ("\n".join(lines) + "\n").encode()
    return Tower(seed, text, sketch.family, _truth(sketch), (*sketch.raft, *sketch.layers))


def _truth(sketch: _Sketch) -> Truth | None:
    if sketch.family in NEGATIVES:
        return None
    steps, bodies = sketch.steps, [body for group in sketch.groups for body in group]
    hidden = not steps.plinth or (steps.plinth_kind == "same" and all(body.mark is None for body in bodies))
    plain = bool(bodies) and all(body.plain_first for body in bodies)
    marks = [(body.mark.low, body.mark.high) for body in bodies if body.mark is not None]
    low, high = min((a for a, _ in marks), default=0.0), max((z for _, z in marks), default=0.0)
    gap = sketch.layers[0].z - sketch.layers[0].height - sketch.raft[-1].z if sketch.raft else 0.0
    highs = (steps.count,) if steps.share == 1.0 else (steps.count, steps.count - 1)
    lows = (0, 1) if hidden and plain else (0,)
    mark = (min(low, 0.0) - gap, max(high, 0.0))
    return Truth(round(steps.first, 4), steps.rise, steps.count, lows, highs, mark)


# ---- drawing


def _sketched(seed: int) -> _Sketch:
    chance, family = Chance(seed), family_of(seed)
    vase, negative = family.startswith("vase") or family == "smooth vase", family in NEGATIVES
    usual = chance.one_of([0.15, 0.16, 0.2, 0.2, 0.2, 0.24, 0.25, 0.28, 0.3, 0.32] + ([0.1, 0.12] if vase else []))
    raft = _raft(chance) if not vase and chance.likely(0.08) else []
    base = round(raft[-1].z + 0.1, 3) if raft else 0.0
    steps = _steps(chance, family, usual, base, negative, vase)
    spot = (chance.on_grid(70, 140, 0.5), chance.on_grid(70, 140, 0.5))
    groups = [] if vase else _bodies(chance, family, steps, spot, usual)
    varied = not vase and family not in ("brick", "turning") and chance.likely(0.3)
    curved = groups[0][0].curved if groups else None
    layers = draw_layers(chance, steps, usual, curved, varied)
    shape = {"vase bulges": spirals.bulges, "vase flares": spirals.flares, "smooth vase": spirals.smooth}.get(family)
    return _Sketch(
        family,
        steps,
        _craft(chance, steps),
        _manner(chance, family),
        raft,
        layers,
        groups,
        shape(chance, steps, spot) if shape is not None else None,
        chance.one_of(["skirt", "skirt", "brim", ""]) if not raft else "",
        chance.likely(0.6),
        chance.likely(0.12) and not vase and family != "in turn",
        (chance.whole(38, 50) * 5, chance.whole(0, 9) * 10),
        chance.whole(1, 3),
        chance.whole(0, 10**6),
    )


def _raft(chance: Chance) -> list[Layer]:
    found = [Layer(0.3, 0.3)]
    for _ in range(chance.whole(1, 3)):
        found.append(Layer(round(found[-1].z + 0.25, 3), 0.25))
    return found


def _steps(chance: Chance, family: str, layer: float, base: float, negative: bool, vase: bool) -> Steps:
    if negative:
        wide = not vase and chance.likely(0.3)
        plinth = chance.on_grid(1.0, 4.0, 0.1) if wide else 0.0
        cap = chance.on_grid(0.8, 3.0, 0.1) if not vase and chance.likely(0.2) else 0.0
        return Steps(base, plinth, "wide" if wide else "none", chance.on_grid(28.0, 65.0, 0.1), 1, 1.0, cap)
    rise = chance.on_grid(3.0, 12.0, 0.1) if chance.likely(0.8) else chance.on_grid(3.0, 12.0, 0.01)
    if chance.likely(0.4):
        rise = round(max(round(rise / layer), math.ceil(3.0 / layer)) * layer, 4)
    limit = 60.0 if family == "in turn" else 100.0
    count = chance.whole(3, max(3, min(10, int(limit / rise), int(420 * layer / rise))))
    kind = "none" if vase else chance.one_of(["none", "none", "wide", "wide", "wide", "same"])
    plinth = 0.0
    while kind != "none" and (not plinth or abs(plinth - rise) < max(0.8, 0.15 * rise)):
        plinth = chance.on_grid(0.8, min(6.0, rise * 1.5), 0.1)
    end = chance.likely(0.35) and not vase
    share = round(chance.between(0.35, 0.75), 2) if end and chance.likely(0.4) and count > 3 else 1.0
    cap = chance.on_grid(0.8, min(3.0, rise * 0.6), 0.1) if end and share == 1.0 else 0.0
    return Steps(base, plinth, kind, rise, count, share, cap)


def _bodies(chance: Chance, family: str, steps: Steps, spot: Point, layer: float) -> list[list[Body]]:
    if family in NEGATIVES:
        draw = NEGATIVES[family]
        assert draw is not None
        return [[draw(chance, steps, spot, layer)]]
    draw = chance.one_of(FAMILIES[family])
    first = draw(chance, steps, spot, layer)
    if family not in SPREAD:
        return [[first]]
    bodies = [first]
    for _ in range(1 if family != "in turn" else chance.whole(1, 2)):
        if family == "in turn":
            gap = chance.between(25, 40)
        else:
            gap = chance.between(2, 12) if family == "two towers" else chance.between(20, 50)
        again = draw(chance, steps, spot, layer)  # drawn where the first stands, to know its width
        width = _right(bodies[-1], steps) + gap - _left(again, steps)
        bodies.append(_moved(again, width))
    return [[body] for body in bodies] if family == "in turn" else [bodies]


def _outlines(body: Body, steps: Steps) -> list[Ring]:
    heights = [steps.first + steps.rise * (k + part) for k in range(steps.count) for part in (0.03, 0.5, 0.97)]
    rings = [outline.ring(0.0) for z in heights for outline, _ in body.section(*steps.where(z), z)]
    return [ring for ring in [*rings, body.foot.ring(0.0), grown(body.foot, 5.0).ring(0.0)] if ring]


def _left(body: Body, steps: Steps) -> float:
    return box_of(_outlines(body, steps))[0]


def _right(body: Body, steps: Steps) -> float:
    return box_of(_outlines(body, steps))[2]


@dataclass(frozen=True, slots=True)
class _Moved:
    """An outline elsewhere."""

    of: object
    by: float

    def ring(self, inset: float) -> Ring:
        return [(x + self.by, y) for x, y in self.of.ring(inset)]  # type: ignore[attr-defined]


def _moved(body: Body, by: float) -> Body:
    def section(step: int, above: float, z: float) -> list[Island]:
        return [(_Moved(outline, by), fill) for outline, fill in body.section(step, above, z)]

    foot = body.foot
    foot = Box(foot.x0 + by, foot.y0, foot.x1 + by, foot.y1) if isinstance(foot, Box) else replace(foot, x=foot.x + by)
    return replace(body, section=section, foot=foot)


def _craft(chance: Chance, steps: Steps) -> Craft:
    style = chance.one_of(STYLES)
    period = chance.on_grid(3.0, 9.0, 0.1)
    while abs(period - steps.rise) < 0.12 * steps.rise:
        period = chance.on_grid(3.0, 9.0, 0.1)
    if style == "turning":
        period = float(chance.whole(8, 24))
    fill = Fill(style, round(chance.between(2.2, 5.5), 2), chance.one_of([0.0, math.pi / 4, math.pi / 6]), period)
    walls = chance.whole(2, 3) if style == "none" else chance.whole(1, 3)
    skin = chance.whole(2, 4) if chance.likely(0.8) else 0
    return Craft(walls, fill, skin, chance.one_of(["first", "first", "spread"]), chance.on_grid(1.0, 4.0, 0.5))


def _manner(chance: Chance, family: str) -> Manner:
    hop = chance.one_of([0.0, 0.2, 0.4])
    return Manner(
        relative_e=chance.likely(0.5),
        hop=hop,
        hop_by_g91=hop > 0 and chance.likely(0.3),
        pull=round(chance.between(0.4, 4.0), 2),
        travel_word=chance.one_of(["G0", "G0", "G1"]),
        arcs=chance.likely(0.5),
        layer_comment=chance.one_of(["", "; layer {n}", ";height {z:.2f}", "; ---- {n} at {z:.3f} mm"]),
        print_feed=chance.whole(20, 60) * 60,
        first_feed=chance.whole(12, 25) * 60,
        travel_feed=chance.whole(90, 200) * 60,
        infill_feed=chance.whole(30, 90) * 60,
    )


# ---- the file


def _printed(sketch: _Sketch) -> list[str]:
    pen = Pen(sketch.manner)
    build = Builder(pen, sketch.steps, sketch.craft, Chance(sketch.seams))
    _start(pen, sketch)
    if sketch.vase is not None:
        layer = sketch.layers[0]
        pen.rise(layer.z)
        if sketch.foot:
            build.around([sketch.vase.outline(layer.middle).ring(0.0)], sketch.foot, layer)
        pen.say("M106 S128")
        build.spiral(sketch.vase, sketch.layers, 3)
    for number, group in enumerate(sketch.groups):
        if number:  # over the finished one
            amount = round(pen.manner.pull * 1e5)
            pen.say(f"G1 {pen.filament(-amount)} F2400", f"G0 Z{sketch.steps.top + 5:.3f} F900")
            x0, y0, _, _ = box_of([body.foot.ring(0.0) for body in group])
            pen.say(f"G0 X{x0:.3f} Y{y0:.3f} F9000", f"G1 {pen.filament(amount)} F2400", "M107")
            pen.at, pen.feed = (round(x0, 3), round(y0, 3)), 2400
        _group(build, sketch, group)
    _end(pen, sketch)
    return pen.lines


def _group(build: Builder, sketch: _Sketch, group: list[Body]) -> None:
    pen, layers = build.pen, sketch.layers
    prepared = [build.prepare(body, layers) for body in group]
    rings = [outline.ring(0.0) for ready in prepared for outline, _ in ready[0][0]]
    _x0, _, x1, y1 = box_of([*rings, *(grown(body.foot, 8.0).ring(0.0) for body in group)])
    if sketch.raft:
        build.raft(rings, sketch.raft)
    for number, layer in enumerate(layers):
        if comment := pen.manner.layer_comment:
            pen.say(comment.format(n=number + 1, z=layer.z))
        pen.rise(layer.z)
        if number == sketch.fan_from:
            pen.say("M106 S178")
        if number == 0 and sketch.foot:
            build.around(rings, sketch.foot, layer)
        if sketch.prime:
            build.prime((x1 + 4.0, y1 + 4.0), 10.0, number, layer)
        for ready in prepared if number % 2 == 0 else reversed(prepared):  # there and back, as files do
            build.lay(*ready[number], number, layer)


def _start(pen: Pen, sketch: _Sketch) -> None:
    nozzle, bed = sketch.heat
    pen.say(f"; {sketch.family.replace(' ', '-')} of {len(sketch.layers)} layers" if sketch.seams % 2 else "; a part")
    pen.say(*([f"M140 S{bed}"] if bed else []), f"M104 S{nozzle}", "G21", "G90")
    pen.say("M83" if pen.manner.relative_e else "M82", "G28")
    pen.say(*([f"M190 S{bed}"] if bed else []), f"M109 S{nozzle}", "M107", "G92 E0")
    if sketch.purge:
        first = (sketch.raft or sketch.layers)[0]
        pen.rise(first.z)
        pen.travel((10.0, 15.0), pulled=False)
        pen.path([(10.0, 15.0), (10.0, 95.0), (10.5, 95.0), (10.5, 15.0)], first.height, 1200)
        pen.say("G92 E0")
        pen.e = 0


def _end(pen: Pen, sketch: _Sketch) -> None:
    pen.say(f"G1 {pen.filament(-200000)} F2400", "M104 S0", "M140 S0", "M107")
    pen.say(f"G0 Z{sketch.layers[-1].z + 10:.3f} F900", "G0 X10.000 Y200.000 F9000", "M84")
