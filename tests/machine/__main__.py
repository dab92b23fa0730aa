"""`python -m tests.machine --arch amd64`: the faults of a whole small computer, emulated. What follows goes to pytest.

Exits 2, and says why, where it cannot be done here.
"""

from __future__ import annotations

import argparse
import os
import sys
from pathlib import Path

import pytest

from tests.machine import computer, installed


def cannot(arch: str) -> str:
    """Why not, or ""."""
    if missing := computer.missing(arch):
        return f"not installed: {' '.join(missing)} (apt-get install them, or sh tests/machine/run {arch} as root)"
    if os.geteuid() != 0 and not installed.image_is_there(arch):
        return "an image is made by root: its files have owners"
    return ""


def main() -> int:
    parser = argparse.ArgumentParser(
        prog="python -m tests.machine",
        description=__doc__,
        epilog="example: python -m tests.machine --arch arm64 -k power",
    )
    parser.add_argument("--arch", choices=tuple(computer.KINDS), default="amd64")
    parser.add_argument("--packages", action="store_true", help="only print Debian's packages that are missing here")
    asked, more = parser.parse_known_args()
    if asked.packages:
        print(*computer.missing(asked.arch))
        return 0
    if why := cannot(asked.arch):
        print(f"no small computer here: {why}", file=sys.stderr)
        return 2
    checks = str(Path(__file__).parent / "check_small_computer.py")
    # No test here is a hang before its own bounds say so: a boot alone may take longer than the suite's 120 s.
    words = ["--arch", asked.arch, "-v", "-p", "no:cacheprovider", "-o", "faulthandler_timeout=0", "--durations=0"]
    return int(pytest.main([checks, *words, *more]))


if __name__ == "__main__":
    sys.exit(main())
