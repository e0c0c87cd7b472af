"""Run every benchmark, whatever one of them says, and end with the rows that miss their yardstick.

python -m tests.bench
"""

import os
import re
import subprocess
import sys
from pathlib import Path

HERE = Path(__file__).parent
NEEDED = re.compile(r"^(?P<words>.*?)\s+[\d.]+ \S+\s+(?P<ratio>[\d.]+) x\s+\(at least (?P<need>[\d.]+) x\)")


def main() -> int:
    misses = []
    environment = {**os.environ, "PYTHONPATH": str(HERE.parents[1]), "PYTHONUNBUFFERED": "1"}
    for script in sorted(HERE.glob("bench_*.py")):
        print(f"-- {script.stem}", flush=True)
        run = subprocess.Popen(
            [sys.executable, str(script)], stdout=subprocess.PIPE, text=True, env=environment
        )
        for line in run.stdout or ():
            print(line, end="", flush=True)
            row = NEEDED.match(line)
            if row and float(row["ratio"]) < float(row["need"]):
                misses.append(f"{row['words']}: {row['ratio']} x where {row['need']} x are asked")
        if run.wait():
            misses.append(f"{script.stem}: beyond its limit, see above")
    print("-- all rows within their yardsticks" if not misses else "-- rows that miss their yardstick:")
    for words in misses:
        print(f"   {words}")
    return 0


if __name__ == "__main__":
    sys.exit(main())
