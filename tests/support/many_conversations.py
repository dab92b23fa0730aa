"""More conversations than a test run has time for: `python -m tests.support.many_conversations [SEEDS [FROM]]`.

Prints one row for each kind of fault; a seed that fails is printed with what it takes to run it again.
"""

from __future__ import annotations

import sys
from collections import Counter

from tests.protocol.test_window import KINDS, WINDOWS, converse, judge


def of_kind(kind: str, seeds: range) -> Counter[str]:
    """Outcomes of one kind of fault over all windows."""
    seen: Counter[str] = Counter()
    for seed in seeds:
        for window_bytes in WINDOWS:
            try:
                talk = converse(seed, KINDS[kind], window_bytes)
                if not talk.printer.passed:
                    judge(talk, seed)
            except AssertionError as why:
                seen["FAILED"] += 1
                print(f"{kind}: seed {seed}, window {window_bytes}: {why}", file=sys.stderr)
                continue
            seen["conversations"] += 1
            seen["damage that passed the checksum"] += talk.printer.passed
            seen["ended loudly"] += talk.broken is not None and not talk.printer.passed
            seen["ring overflowed"] += talk.printer.overflowed
            seen["lines written again"] += talk.rewrites
            seen["acknowledged early"] += talk.early
    return seen


def main() -> int:
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 200
    first = int(sys.argv[2]) if len(sys.argv) > 2 else 1000
    failed = 0
    for kind in KINDS:
        seen = of_kind(kind, range(first, first + count))
        failed += seen["FAILED"]
        print(f"{kind:26} " + ", ".join(f"{name} {number}" for name, number in seen.items()), flush=True)
    return 1 if failed else 0


if __name__ == "__main__":
    raise SystemExit(main())
