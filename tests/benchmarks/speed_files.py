"""Files on which the survey's speed is measured: each a shape of which large files are made, by so many blocks or a few more."""

from __future__ import annotations

import math
import random
from collections.abc import Callable


def curves(blocks: int) -> bytes:
    """Round walls of short deposits, sixty to a circle: what large files are made of."""
    out = ["M140 S60", "M104 S210", "G28", "G90", "M83", "M109 S210"]
    layer = 0
    while len(out) < blocks:
        layer += 1
        out += ["G1 E-0.8 F2100", f"G1 Z{layer * 0.2:.2f} F600", "G1 X120 Y100 F9000", "G1 E0.8 F2100", "G1 F1800"]
        for ring in range(4):
            radius = 20 - 0.45 * ring
            for step in range(1, 61):
                angle = step * math.pi / 30
                x, y = 100 + radius * math.cos(angle), 100 + radius * math.sin(angle)
                out.append(f"G1 X{x:.3f} Y{y:.3f} E{radius * 0.00349:.5f}")
    return ("\n".join([*out, "M104 S0"]) + "\n").encode()


def broken(blocks: int) -> bytes:
    """Small islands, infill, many travels and retractions: rows are short, and a quarter of the blocks stand alone."""
    chance, layer = random.Random(1), 0
    out = ["M140 S60", "M104 S210", "G28", "G90", "M83", "M109 S210"]
    while len(out) < blocks:
        layer += 1
        out += ["; a layer", f"G1 Z{layer * 0.2:.2f} F9000"]
        for x in (100, 130, 160):
            out += ["G1 E-0.8 F2100", f"G1 X{x:.3f} Y100.000 F9000", "G1 E0.8 F2100", "G1 F1800"]
            steps = chance.choice((4, 12, 60, 120))
            for step in range(1, steps + 1):
                angle = 2 * math.pi * step / steps
                out.append(
                    f"G1 X{x - 10 + 10 * math.cos(angle):.3f} Y{100 + 10 * math.sin(angle):.3f} E{2.07 / steps:.5f}"
                )
            out.append(f"G1 X{x - 8:.3f} Y92.000 F9000")
            for line in range(30):
                out.append(f"G1 X{x - 8 + 16 * (line % 2):.3f} Y{92 + line / 2:.3f} E0.55000")
                if chance.random() < 0.1:
                    out += [f"G1 X{x:.3f} Y{92 + line / 2:.3f} F9000", "G1 F1800"]
    return ("\n".join([*out, "M104 S0"]) + "\n").encode()


def square(blocks: int) -> bytes:
    """A plain square tower with absolute E: some forty blocks a layer, hops, travels, a comment, some commands."""
    out, e, layer = (
        ["; a tower", "M140 S60 ; bed", "M104 S210", "G28", "G21", "G90", "M82", "M109 S210", "G92 E0"],
        0.0,
        0,
    )
    while len(out) < blocks:
        layer += 1
        z = layer * 0.2
        out += [f"; layer {layer}", f"M106 S{min(255, layer * 50)}", f"M117 layer {layer}", f"G1 E{e - 1:.5f} F2400"]
        out += ["G91", "G1 Z0.6 F900", "G90"]
        for wall in range(2):
            half = 12 - 0.45 * wall
            ring = [
                (half * x, half * y) for x, y in ((-1, -1), (0, -1), (1, -1), (1, 0), (1, 1), (0, 1), (-1, 1), (-1, 0))
            ]
            out += [
                f"G0 X{110 - half:.3f} Y{110 - half:.3f} F7200",
                *([f"G1 Z{z:.3f} F900", f"G1 E{e:.5f} F2400"] * (not wall)),
            ]
            for at, (x, y) in enumerate([*ring[1:], ring[0]]):
                e += half * 0.035
                out.append(f"G1 X{110 + x:.3f} Y{110 + y:.3f} E{e:.5f}" + (" F2400" if at == 0 else ""))
        out.append(f"G0 X{98:.3f} Y{98:.3f} F7200")
        for line in range(8):
            e += 0.8
            out.append(f"G1 X{98 + 24 * ((line + 1) // 2 % 2):.3f} Y{98 + 3 * (line // 2):.3f} E{e:.5f}")
    return ("\n".join([*out, "M104 S0", "M140 S0", "M107", "M84"]) + "\n").encode()


def infill(blocks: int) -> bytes:
    """Rectilinear infill of parted lines with relative E: a travel before each, a retraction and a hop before some."""
    out, layer = ["M140 S60", "M104 S210", "G28", "G90", "M83", "M109 S210"], 0
    while len(out) < blocks:
        layer += 1
        out += [f"; layer {layer}", f"G1 Z{layer * 0.2:.2f} F900", "G1 F2700"]
        for line in range(60):
            y = 90 + line * 0.6
            out.append(f"G1 X{90 + (line % 2) * 40:.3f} Y{y:.3f} F9000")
            if line % 6 == 0:
                out += [
                    "G1 E-0.80000 F2100",
                    f"G1 Z{layer * 0.2 + 0.4:.2f} F900",
                    f"G1 X{91 + (line % 2) * 38:.3f} Y{y:.3f} F9000",
                ]
                out += [f"G1 Z{layer * 0.2:.2f} F900", "G1 E0.80000 F2100"]
            for part in range(1, 4):
                out.append(
                    f"G1 X{90 + abs((line % 2) * 40 - part * 13):.3f} Y{y:.3f} E0.43200" + " F2700" * (part == 1)
                )
    return ("\n".join([*out, "M104 S0"]) + "\n").encode()


def spiral(blocks: int, steps: int = 60) -> bytes:
    """Walls one line thick that rise all the way round: Z in every block, so many of them to a turn of 0.2 mm; 250 mm tall."""
    out = ["M140 S60", "M104 S210", "G28", "G90", "M83", "M109 S210"]
    for block in range(blocks):
        wall, step = divmod(block, 1250 * steps)
        if not step:
            out += ["G1 Z260 F600", f"G1 X{60 + 45 * wall} Y100 F9000", "G1 Z0.2 F600", "G1 F1800"]
        angle = step * 2 * math.pi / steps
        x, y = 40 + 45 * wall + 20 * math.cos(angle), 100 + 20 * math.sin(angle)
        out.append(f"G1 X{x:.3f} Y{y:.3f} Z{0.2 + step / (5 * steps):.3f} E{4.1886 / steps:.5f}")
    return ("\n".join([*out, "M104 S0"]) + "\n").encode()


def small_spiral(blocks: int) -> bytes:
    """Eight blocks to a turn: each turn is a layer."""
    return spiral(blocks, 8)


def dressed(blocks: int) -> bytes:
    """What else stands between motions: comments, progress, fans, E called nothing, accelerations, corners, hops, feedrates."""
    out, layer = ["M140 S60", "M104 S210", "G28", "G90", "M82", "M109 S210", "M201 X3000 Y3000 Z100 E5000"], 0
    while len(out) < blocks:
        layer += 1
        z = layer * 0.2
        out += [f"; layer {layer}", f"M73 P{layer // 10} R{200 - layer // 10}", "G92 E0", f"M106 S{120 + layer % 9}"]
        e = 0.0
        for x in (90, 120):
            out += [f"G1 E{e - 0.8:.5f} F2400", f"G1 Z{z + 0.4:g} F900", "M204 S2000", f"G0 F9000 X{x + 8} Y100"]
            out += [f"G1 Z{z:g} F900", f"G1 E{e:.5f} F2400", "; outside", "M204 S800", "M205 X8 Y8", "G1 F1500"]
            for step in range(1, 25):
                e += 0.07
                angle = step * math.pi / 12
                out.append(f"G1 X{round(x + 8 * math.cos(angle), 3):g} Y{100 + 8 * math.sin(angle):.2f} E{e:.5f}")
            out += ["; inside", "M204 S1500", "M205 X12 Y12", "M900 K0.04"]
            for line in range(9):
                here, there = (x - 5, x + 5) if line % 2 else (x + 5, x - 5)
                e += 0.33
                out.append(f"G0 X{here} Y{96 + line} F9000")
                out.append(f"G1 X{there} Y{96 + line} E{e:.5f} F3000 ; a line")
    return ("\n".join([*out, "M104 S0", "M140 S0", "M107", "M84"]) + "\n").encode()


def arcs(blocks: int) -> bytes:
    """Walls with round corners, a hole that grows wider, infill of lines: every fifth or sixth block is an arc."""
    out, layer = ["M140 S60", "M104 S210", "G28", "G90", "M83", "M109 S210"], 0
    while len(out) < blocks:
        layer += 1
        out += [f"; layer {layer}", f"G1 Z{layer * 0.2:.2f} F900"]
        for half in (20.0, 19.55):
            a, b = half - 5, half
            out += ["G1 E-0.8 F2400", f"G1 X{100 + b:.3f} Y{100 - a:.3f} F9000", "G1 E0.8 F2400", "G1 F1800"]
            for dx, dy, ex, ey, i, j in (
                (b, a, a, b, -5, 0),
                (-a, b, -b, a, 0, -5),
                (-b, -a, -a, -b, 5, 0),
                (a, -b, b, -a, 0, 5),
            ):
                out.append(f"G1 X{100 + dx:.3f} Y{100 + dy:.3f} E{2 * a * 0.033:.5f}")
                out.append(f"G3 X{100 + ex:.3f} Y{100 + ey:.3f} I{i:.3f} J{j:.3f} E0.26000")
        hole = 4 + layer * 0.002
        out += ["G1 E-0.8 F2400", f"G1 X{100 + hole:.3f} Y100 F9000", "G1 E0.8 F2400", "G1 F1800"]
        out.append(f"G2 X{100 - hole:.3f} Y100 I{-hole:.3f} J0 E0.63")
        out.append(f"G2 X{100 + hole:.3f} Y100 I{hole:.3f} J0 E0.63")
        for line in range(12):
            x = 86 + line * 2 + layer % 2
            out.append(f"G1 X{x:.3f} Y{84 + 32 * (line % 2):.3f} F9000")
            out.append(f"G1 X{x:.3f} Y{116 - 32 * (line % 2):.3f} E1.05600" + " F2700" * (line == 0))
    return ("\n".join([*out, "M104 S0"]) + "\n").encode()


SHAPES: dict[str, Callable[[int], bytes]] = {
    "round walls": curves,
    "islands, short rows": broken,
    "square tower, short layers": square,
    "infill, travels, retractions": infill,
    "spiral, sixty blocks a turn": spiral,
    "spiral, eight blocks a turn": small_spiral,
    "accelerations, hops, comments": dressed,
    "arcs among lines": arcs,
}
