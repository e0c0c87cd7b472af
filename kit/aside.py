"""A second process that works beside this one: half the wait where two processors are there.

It calls what this process would call, with arguments that come over a pipe, and ends with its pipe. Who did what makes
no difference to any result; what it cannot do, this process does itself.
"""

from __future__ import annotations

import atexit
import importlib
import os
import signal
import subprocess
import sys
import threading
from collections import deque
from collections.abc import Callable, Sequence
from contextlib import suppress
from multiprocessing import Pipe
from multiprocessing.connection import Connection
from pathlib import Path
from typing import Any, Final, TypeAlias, TypeVar

ALONE: Final = "REPEATBURN_ALONE"
"""Set where reports are made side by side already: then every process works alone."""

T = TypeVar("T")
Job = tuple[Any, ...]
Channel: TypeAlias = "Connection[Any, Any]"


class Aside:
    """The second process, as this one sees it."""

    def __init__(self, *modules: str) -> None:
        """Start it; it imports these modules before it is asked for anything."""
        own = str(Path(__file__).parents[1])
        paths = os.pathsep.join([own, *filter(None, [os.environ.get("PYTHONPATH")])])
        self._pipe, there = Pipe()
        with there:
            self._process = subprocess.Popen(
                [sys.executable, "-P", "-m", "kit.aside", str(there.fileno()), *modules],
                stdin=subprocess.DEVNULL,
                stdout=subprocess.DEVNULL,
                stderr=subprocess.DEVNULL,
                pass_fds=[there.fileno()],
                env=os.environ | {"PYTHONPATH": paths},
            )
        self._owner = os.getpid()
        self.usable = True

    def call(self, function: Callable[..., T], job: Job) -> T:
        """Have a function called there and return what comes of it.

        Raises
        ------
        OSError, EOFError
            Where the process has ended or the call failed there.
        """
        self._pipe.send((function, job))
        done, result = self._pipe.recv()
        if not done:
            raise EOFError
        answer: T = result
        return answer

    def close(self) -> None:
        """End the process."""
        self.usable = False
        if self._owner == os.getpid():
            self._pipe.close()
            self._process.kill()
            self._process.wait()


_known: list[Aside] = []


def second(*modules: str) -> Aside | None:
    """Return the second process, started at the first call; None where it would not pay or is not to be had."""
    if _known and _known[0].usable:
        return _known[0]
    if os.name != "posix" or os.environ.get(ALONE) or _processors() < 2:
        return None
    _known[:] = [Aside(*modules)]
    atexit.register(_known[0].close)
    return _known[0]


def started() -> Aside | None:
    """Return the second process if there is one already."""
    return _known[0] if _known and _known[0].usable else None


def _processors() -> int:
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1


def side_by_side(
    function: Callable[..., T],
    jobs: Sequence[Job],
    beside: Aside | None,
    say: Callable[[Job], None] = lambda _: None,
) -> list[T]:
    """Call a function for every job, in this process and the one beside it; the results in the jobs' order.

    Parameters
    ----------
    function
        A module's own function; it and the jobs go through a pipe.
    say
        Told of each job as it begins.

    Raises
    ------
    Exception
        As the function does.
    """
    found: dict[int, T] = {}
    waiting = deque(range(len(jobs)))

    def work(call: Callable[[Job], T]) -> None:
        while waiting:
            with suppress(IndexError):  # the other was quicker
                place = waiting.popleft()
                say(jobs[place])
                found[place] = call(jobs[place])

    def work_aside(process: Aside) -> None:
        with suppress(
            OSError, EOFError, AttributeError, TypeError
        ):  # ended, or what cannot go through a pipe
            work(lambda job: process.call(function, job))
            return
        process.close()

    helper = threading.Thread(target=work_aside, args=(beside,)) if beside else None
    if helper:
        helper.start()
    try:
        work(lambda job: function(*job))
    finally:
        waiting.clear()
        if helper:
            helper.join()
    return [found[place] if place in found else function(*job) for place, job in enumerate(jobs)]


def main(pipe: Channel, modules: Sequence[str]) -> None:
    """Call what is asked for and answer with (done, result), until the pipe ends."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    for name in modules:
        importlib.import_module(name)
    with suppress(EOFError, OSError):
        while True:
            function, job = pipe.recv()
            try:
                answer = (True, function(*job))
            except Exception:
                answer = (False, None)
            pipe.send(answer)


if __name__ == "__main__":
    main(Connection(int(sys.argv[1])), sys.argv[2:])
