"""Read many spoiled files of some kinds and print the seeds that fail, without stopping at the first.

    python tests/attacks/many_spoiled.py FIRST COUNT [KIND ...]

A seed that is printed is tried again with `python tests/attacks/many_spoiled.py SEED 1 KIND`.
"""

from __future__ import annotations

import sys
import tempfile
import threading
import time
import traceback
from pathlib import Path

ROOT = Path(__file__).parents[2]
sys.path[:0] = [str(ROOT), str(Path(__file__).parent)]

from spoiled_cases import CASES, in_bounds  # noqa: E402

SLOW_S = 10.0
HANGS_S = 300.0


def failed(kind: str, seed: int, folder: Path) -> bool:
    """Return whether a case fails; what it failed of, and what is slow, is printed."""
    hangs = threading.Timer(HANGS_S, lambda: print(f"{kind} {seed}: hangs", flush=True))
    hangs.daemon = True
    hangs.start()
    begun = time.process_time()
    try:
        CASES[kind](seed, folder)
        in_bounds()
    except Exception:  # whatever it is, it is what is sought here
        print(f"{kind} {seed}: failed\n{traceback.format_exc()}", flush=True)
        return True
    finally:
        hangs.cancel()
        if time.process_time() - begun > SLOW_S:
            print(f"{kind} {seed}: {time.process_time() - begun:.0f} s of processor time", flush=True)
    return False


def main() -> None:
    first, count = int(sys.argv[1]), int(sys.argv[2])
    for kind in sys.argv[3:] or CASES:
        with tempfile.TemporaryDirectory() as folder:
            seeds = [seed for seed in range(first, first + count) if failed(kind, seed, Path(folder))]
        print(f"{kind}: {count} spoiled, {len(seeds)} failed {seeds}", flush=True)


if __name__ == "__main__":
    main()
