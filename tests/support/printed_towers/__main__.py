"""`python -m tests.support.printed_towers`: does the maker still make the towers that were judged?"""

from __future__ import annotations

import sys

from tests.support.printed_towers import DIGEST, digest


def main() -> int:
    made = digest(range(200))
    print(made, "as fixed" if made == DIGEST else f"is not {DIGEST}")
    return 0 if made == DIGEST else 1


if __name__ == "__main__":
    sys.exit(main())
