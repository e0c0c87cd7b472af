"""Kernels forked from one process that has imported everything already: for many reports one after another.

A fresh kernel spends most of its start on imports; a fork of a process that has done them starts in a hundredth
of that.  The process imports and forks, and never runs a notebook itself, so no report leaks into the next.
"""

from __future__ import annotations

import gc
import importlib
import json
import os
import select
import signal
import subprocess
import sys
import threading
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, ExitStack, contextmanager, suppress
from pathlib import Path
from typing import IO, Any

from kit.runtime.kernel import Kernel, environment_of, fresh_kernel, working_folder, write_connection
from kit.runtime.locked_tmp import private_folder

Kernels = Callable[[], AbstractContextManager[Kernel]]


class Fork:
    """A forked kernel as nbclient expects a process: it is no child of this process, so a handle stands for it."""

    stdin = stdout = stderr = None

    def __init__(self, pid: int) -> None:
        self.pid = pid
        self.returncode: int | None = None
        self._handle = os.pidfd_open(pid)

    def poll(self) -> int | None:
        """Return None while it runs."""
        return self._ended(0.0)

    def wait(self, timeout: float | None = None) -> int:
        """Wait until it has ended."""
        while self._ended(timeout) is None:
            if timeout is not None:
                raise subprocess.TimeoutExpired("kernel", timeout)
        return 0

    def kill(self) -> None:
        """End it at once."""
        self.send_signal(signal.SIGKILL)

    def send_signal(self, number: int) -> None:
        """Send it a signal, unless it has ended."""
        if self.returncode is None:
            with suppress(ProcessLookupError):
                signal.pidfd_send_signal(self._handle, number)

    def _ended(self, timeout: float | None) -> int | None:
        if self.returncode is None and select.select([self._handle], [], [], timeout)[0]:
            self.returncode = 0
            os.close(self._handle)
        return self.returncode


@contextmanager
def fork_server(*modules: str) -> Iterator[Kernels]:
    """Give a starter of kernels forked from a process that has imported these modules.

    Where the system cannot fork so, each kernel is a fresh process.
    """
    if not hasattr(os, "pidfd_open") or not hasattr(os, "fork"):
        yield fresh_kernel
        return
    with ExitStack() as stack:
        server = _Server(modules, stack)
        yield server.kernel


class _Server:
    """The process that forks, as this one sees it: started when a kernel is asked for, and again if it was killed."""

    def __init__(self, modules: tuple[str, ...], stack: ExitStack) -> None:
        self._modules, self._stack = modules, stack
        self._process: subprocess.Popen[str] | None = None
        self._asking = threading.Lock()

    @contextmanager
    def kernel(self) -> Iterator[Kernel]:
        with private_folder() as folder:
            connection = write_connection(folder)
            order = {
                "connection": str(connection),
                "folder": str(working_folder(folder)),
                "said": str(folder / "said.txt"),
                "environment": environment_of(folder),
            }
            with self._asking:
                process = self._running()
                fork = Fork(int(_ask(process, json.dumps(order))))
            try:
                yield Kernel(fork, folder, connection)
            finally:
                fork.kill()
                fork.wait()
                with self._asking, suppress(ChildProcessError):
                    _ask(process, str(fork.pid))  # only now may its number be given to another process

    def _running(self) -> subprocess.Popen[str]:
        if self._process is None or self._process.poll() is not None:
            self._process = self._stack.enter_context(_served(self._modules))
        return self._process


@contextmanager
def _served(modules: tuple[str, ...]) -> Iterator[subprocess.Popen[str]]:
    with private_folder() as folder:
        process = subprocess.Popen(
            [sys.executable, "-P", "-c", "from kit.runtime.fork_server import serve; serve()", *modules],
            stdin=subprocess.PIPE,  # its end, which comes with this process's own, ends the server
            stdout=subprocess.PIPE,
            cwd=working_folder(folder),
            env=environment_of(folder),
            text=True,
            start_new_session=True,
        )
        try:
            yield process
        finally:
            process.kill()
            with suppress(BrokenPipeError):
                process.communicate()


def _ask(process: subprocess.Popen[str], line: str) -> str:
    assert process.stdin and process.stdout
    answer = ""
    with suppress(BrokenPipeError):
        process.stdin.write(f"{line}\n")
        process.stdin.flush()
        answer = process.stdout.readline()
    if not answer:
        raise ChildProcessError("the process that starts kernels was killed")
    return answer


def serve() -> None:
    """Import what notebooks need, then fork a kernel for each order, until the orders end."""
    for name in sys.argv[1:]:
        importlib.import_module(name)
    gc.freeze()  # no kernel looks through what all of them share, or copies its pages
    answers = os.fdopen(os.dup(1), "w")
    os.dup2(2, 1)  # what a library prints must not be taken for an answer
    for line in sys.stdin:
        order = json.loads(line)
        if isinstance(order, int):
            os.waitpid(order, 0)
            print(order, file=answers, flush=True)
            continue
        pid = os.fork()
        if pid == 0:
            _become_kernel(order, answers)
        print(pid, file=answers, flush=True)


def _become_kernel(order: dict[str, Any], answers: IO[str]) -> None:
    from kit.runtime.kernel import serve_notebook
    from kit.runtime.process_end import PARENT
    from kit.runtime.worker import ALONE

    try:
        server = os.getppid()
        os.setsid()
        answers.close()
        said = os.open(order["said"], os.O_WRONLY | os.O_CREAT | os.O_APPEND, 0o600)
        nothing = os.open(os.devnull, os.O_RDONLY)
        for source, target in ((nothing, 0), (said, 1), (said, 2)):
            os.dup2(source, target)
        os.chdir(Path(order["folder"]))
        os.environ.clear()
        os.environ.update(order["environment"] | {ALONE: "1", PARENT: f"{server} main"})
        serve_notebook(["-f", order["connection"]])
    finally:
        os._exit(1)
