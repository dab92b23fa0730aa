"""Memory of a survey: a file of 10 MB and one of 200 MB, each surveyed by the command in a process of its own.

    python -m tests.benchmarks.survey_memory

Exits 1 where the large file takes 60 MB or more, or a quarter more than the small one.
"""

from __future__ import annotations

import math
import os
import subprocess
import sys
import tempfile
import time
from pathlib import Path

SIZES_MB = (10, 200)
MOST_MB = 60.0
FLAT = 1.25
"""A layer is a row of the table, half a kilobyte or so; blocks leave nothing."""


def written(path: Path, size: int) -> None:
    """A tower with a picture in its comments, round walls, some infill; layers of 0.08 mm, as far up as it takes."""
    layer = 0
    with path.open("w") as file:
        file.write("; picture begins\n" + ("; " + "QUJD" * 18 + "\n") * 600 + "; picture ends\n")
        file.write("M140 S60\nM104 S210\nG28\nG90\nM83\nM109 S210\n")
        while file.tell() < size:
            layer += 1
            out = [f"; layer {layer}", "G1 E-0.8 F2100", f"G1 Z{0.2 + layer * 0.08:.2f} F600", "G1 X130 Y110 F9000"]
            out += ["G1 E0.8 F2100", "G1 F1800"]
            for ring in range(6):
                radius = 30 - 0.45 * ring + 2 * math.sin(layer / 40)
                for step in range(180):
                    angle = step * math.pi / 90
                    x, y = 110 + radius * math.cos(angle), 110 + radius * math.sin(angle)
                    out.append(f"G1 X{x:.3f} Y{y:.3f} E{radius * 0.00116:.5f}")
            for line in range(20):
                out += [
                    f"G1 X{95 + 30 * (line % 2):.3f} Y{95 + line:.3f} E0.98",
                    f"G1 X{95 + line:.3f} Y{95 + line:.3f} F9000",
                ]
            file.write("\n".join(out) + "\n")
        file.write("M104 S0\nM140 S0\n")


def main() -> int:
    peaks = []
    with tempfile.TemporaryDirectory() as folder:
        for size in SIZES_MB:
            path = Path(folder) / f"tower-{size}.gcode"
            written(path, size * 1_000_000)
            began = time.monotonic()
            child = subprocess.Popen(
                [sys.executable, "-m", "banderole.cli.main", "survey", str(path)], stdout=subprocess.PIPE
            )
            assert child.stdout is not None
            said = child.stdout.read().decode().splitlines()
            _, status, usage = os.wait4(child.pid, 0)
            peaks.append(usage.ru_maxrss / 1024)
            print(
                f"{size} MB: exit {os.waitstatus_to_exitcode(status)}, {peaks[-1]:.1f} MB at most, "
                f"{time.monotonic() - began:.1f} s"
            )
            print(f"  {said[0] if said else ''}", flush=True)
    print(f"large by small: {peaks[-1] / peaks[0]:.2f} (limit {FLAT}), at most {max(peaks):.1f} MB (limit {MOST_MB:g})")
    return 0 if max(peaks) < MOST_MB and peaks[-1] <= FLAT * peaks[0] else 1


if __name__ == "__main__":
    sys.exit(main())
