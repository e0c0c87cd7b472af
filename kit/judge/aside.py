"""A second process that judges metrics beside this one: half the wait where two processors are there.

It starts before the logs are read, so that its imports cost no time, judges what it is handed over a pipe and ends
with its pipe. Who judged what makes no difference to any number; whatever it cannot do, this process does itself.
"""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import threading
from collections import deque
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager, suppress
from multiprocessing import Pipe
from multiprocessing.connection import Connection
from pathlib import Path
from typing import Any, Final, TypeAlias

from kit.judge.judged import Judged, judge_metric

ALONE: Final = "REPEATBURN_ALONE"
"""Set where reports are made side by side already: then every process judges alone."""

FEWEST_BURNS: Final = 12
"""With fewer burns a second process costs more than it saves."""

Job = tuple[Any, ...]
"""Arguments of judge_metric."""

Say = Callable[[Job], None]
Channel: TypeAlias = "Connection[Any, Any]"


@contextmanager
def aside(burns: int) -> Iterator[Aside | None]:
    """Start the second process where it pays, and end it afterwards."""
    if burns < FEWEST_BURNS or os.name != "posix" or os.environ.get(ALONE) or len(_processors()) < 2:
        yield None
        return
    process, pipe = _started()
    try:
        yield Aside(pipe)
    finally:
        process.kill()
        process.wait()
        pipe.close()


def _processors() -> Sequence[int]:
    if hasattr(os, "sched_getaffinity"):
        return sorted(os.sched_getaffinity(0))
    return range(os.cpu_count() or 1)


def _started() -> tuple[subprocess.Popen[bytes], Channel]:
    own = str(Path(__file__).parents[2])
    paths = os.pathsep.join([own, *filter(None, [os.environ.get("PYTHONPATH")])])
    here, there = Pipe()
    with there:
        process = subprocess.Popen(
            [sys.executable, "-P", "-m", "kit.judge.aside", str(there.fileno())],
            stdin=subprocess.DEVNULL,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
            pass_fds=[there.fileno()],
            env=os.environ | {"PYTHONPATH": paths},
        )
    return process, here


class Aside:
    """The second process, as this one sees it."""

    def __init__(self, pipe: Channel) -> None:
        self._pipe = pipe

    def judged(self, job: Job) -> Judged:
        """Hand a job over and wait for what comes of it.

        Raises
        ------
        OSError, EOFError
            Where the process has ended or cannot answer.
        """
        self._pipe.send(job)
        answer = self._pipe.recv()
        if not isinstance(answer, Judged):
            raise EOFError
        return answer


def judge_all(jobs: Sequence[Job], beside: Aside | None, say: Say = lambda _: None) -> list[Judged]:
    """Judge every job, in this process and the one beside it; the results in the jobs' order.

    Raises
    ------
    KitError
        As judge_metric.
    """
    found: list[Judged | None] = [None] * len(jobs)
    waiting = deque(range(len(jobs)))

    def work(judge: Callable[[Job], Judged]) -> None:
        while waiting:
            with suppress(IndexError):  # the other was quicker
                place = waiting.popleft()
                say(jobs[place])
                found[place] = judge(jobs[place])

    def work_aside(process: Aside) -> None:
        with suppress(OSError, EOFError):
            work(process.judged)

    helper = threading.Thread(target=work_aside, args=(beside,)) if beside else None
    if helper:
        helper.start()
    try:
        work(lambda job: judge_metric(*job))
    finally:
        waiting.clear()
        if helper:
            helper.join()
    return [each or judge_metric(*job) for job, each in zip(jobs, found, strict=True)]


def main(pipe: Channel) -> None:
    """Judge what comes in and answer, until the pipe ends; a job that fails is answered with None."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    with suppress(EOFError, OSError):
        while True:
            job = pipe.recv()
            try:
                answer = judge_metric(*job)
            except Exception:
                answer = None
            pipe.send(answer)


if __name__ == "__main__":
    main(Connection(int(sys.argv[1])))
