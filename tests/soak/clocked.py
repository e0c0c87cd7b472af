"""The kit's command with a clock that is so many seconds off, and jumps by so many two seconds after its start.

python -m tests.soak.clocked OFFSET JUMP VERB …
"""

import sys
import time


def bend(offset: float, jump: float) -> None:
    """Put a bent clock in the place of this process's own."""
    real, localtime, strftime, began = time.time, time.localtime, time.strftime, time.monotonic()

    def bent() -> float:
        return real() + offset + (jump if time.monotonic() - began > 2 else 0)

    time.time = bent
    time.localtime = lambda at=None: localtime(bent() if at is None else at)
    time.strftime = lambda form, at=None: strftime(form, time.localtime() if at is None else at)


if __name__ == "__main__":
    bend(float(sys.argv[1]), float(sys.argv[2]))
    from kit.cli import main

    sys.exit(main(sys.argv[3:]))
