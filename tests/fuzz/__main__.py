"""Long fuzzing of the log reader: python -m tests.fuzz [COUNT] [--files N] [--mutations N] [--real FOLDER] …"""

from __future__ import annotations

import argparse
import sys
import time
from collections import Counter
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

from tests.fuzz import mutate, roundtrip

BAD = (roundtrip.WRONG, roundtrip.CRASHED, "HUNG", "BROKEN PROMISE", "TOO MUCH MEMORY")
CHUNK = 500


def main() -> int:
    """Run both fuzzers and print what came of every file; exit 1 where anything went wrong."""
    parser = argparse.ArgumentParser(prog="python -m tests.fuzz", description=__doc__)
    parser.add_argument("count", nargs="?", type=int, help="so many files and four times as many mutations")
    parser.add_argument("--files", type=int, default=50_000, help="generated files to write and read back")
    parser.add_argument("--mutations", type=int, default=200_000, help="files bent or broken")
    parser.add_argument("--seed", type=int, default=0, help="the first seed")
    parser.add_argument("--real", type=Path, default=None, help="a folder of real logs to start from as well")
    parser.add_argument("--workers", type=int, default=2)
    given = parser.parse_args()
    files = given.count if given.count is not None else given.files
    mutations = 4 * given.count if given.count is not None else given.mutations
    began = time.perf_counter()
    written, bent = Counter[str](), Counter[str]()
    with ProcessPoolExecutor(given.workers) as pool:
        jobs = [
            pool.submit(roundtrip.run, min(CHUNK, files - k), given.seed + k, 3)
            for k in range(0, files, CHUNK)
        ]
        more = [
            pool.submit(mutate.run, min(CHUNK, mutations - k), given.seed + k, given.real, 3)
            for k in range(0, mutations, CHUNK)
        ]
        for job in jobs:
            written += job.result()
            print(
                f"  {sum(written.values())} of {files} written and read back, "
                f"{time.perf_counter() - began:.0f} s",
                flush=True,
            )
        for job in more:
            bent += job.result()
            print(
                f"  {sum(bent.values())} of {mutations} mutations, {time.perf_counter() - began:.0f} s",
                flush=True,
            )
    _print("generated files", files, written, (roundtrip.WRONG, roundtrip.CRASHED))
    _print("mutations", mutations, bent, BAD[1:])
    return int(any(written[what] + bent[what] for what in BAD))


def _print(title: str, count: int, found: Counter[str], bad: tuple[str, ...]) -> None:
    print(f"{title}: {count}")
    for what in sorted({*found, *bad}):
        print(f"  {what:24} {found[what]:8}")


if __name__ == "__main__":
    sys.exit(main())
