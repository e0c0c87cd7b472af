"""Kernels of our own: this Python, no kernel specification, nothing of the user's start-up read; faults come as data.

One is started as ``python -m kit.runtime.kernel -f CONNECTION``; or, for many reports one after another, forked from
a process that has imported everything already.  A fresh kernel spends most of its start on imports; a fork starts in
a hundredth of that.  The process that forks never runs a notebook itself, so no report leaks into the next.
"""

from __future__ import annotations

import gc
import json
import logging
import os
import secrets
import select
import signal
import subprocess
import sys
import threading
from collections.abc import Callable, Iterator, Mapping
from contextlib import AbstractContextManager, ExitStack, contextmanager, suppress
from dataclasses import dataclass
from importlib import import_module
from pathlib import Path
from typing import Any, Final

from kit.errors import KitError
from kit.runtime.atomic_write import private_folder
from kit.runtime.processes import ALONE, PARENT, Worker, end_with_parent, of_this_process, shared_worker

FAULTS_FILE: Final = "REPEATBURN_FAULTS"
"""Names, in a kernel's environment, the file in which it hands back problems."""
_PORTS: Final = ("shell_port", "iopub_port", "stdin_port", "control_port", "hb_port")
_THREADS: Final = ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS", "VECLIB_MAXIMUM_THREADS")
_OF_JUPYTER: Final = ("JUPYTER_CONFIG_DIR", "JUPYTER_DATA_DIR", "JUPYTER_RUNTIME_DIR")
_MEMORY: Final = {"MALLOC_TRIM_THRESHOLD_": str(1 << 28), "MALLOC_MMAP_THRESHOLD_": str(1 << 25)}
"""Of the GNU C library: arrays that are freed are kept for the next ones, which asked anew take as long as to fill."""
_DROPPED: Final = (
    "PYTHONSTARTUP", "PYTHONWARNINGS", "PYTHONINSPECT", "MATPLOTLIBRC", "IPYTHON_DIR",
    "JPY_PARENT_PID", "JPY_INTERRUPT_EVENT",
)  # fmt: skip


class Fork:
    """A forked kernel as nbclient expects a process: it is no child of this process, so a handle stands for it."""

    stdin = stdout = stderr = None

    def __init__(self, pid: int) -> None:
        self.pid = pid
        self.returncode: int | None = None
        self._handle = os.pidfd_open(pid)

    def poll(self) -> int | None:
        """Return None while it runs."""
        with suppress(subprocess.TimeoutExpired):
            self.wait(0.0)
        return self.returncode

    def wait(self, timeout: float | None = None) -> int:
        """Wait until it has ended."""
        if self.returncode is None:
            if not select.select([self._handle], [], [], timeout)[0]:
                raise subprocess.TimeoutExpired("kernel", timeout or 0.0)
            os.close(self._handle)
            self.returncode = 0
        return self.returncode

    def kill(self) -> None:
        """End it at once."""
        self.send_signal(signal.SIGKILL)

    def send_signal(self, number: int) -> None:
        """Send it a signal, unless it has ended."""
        if self.returncode is None:
            with suppress(ProcessLookupError):
                signal.pidfd_send_signal(self._handle, number)


@dataclass(frozen=True)
class Kernel:
    """A started kernel process and the private folder it works in."""

    process: Process
    folder: Path
    connection: Path

    @property
    def faults(self) -> Path:
        """Where the kernel writes the problems of a KitError."""
        return self.folder / "faults.json"

    def said(self) -> str:
        """Return the last lines the process itself wrote, for when it died."""
        path = self.folder / "said.txt"
        return path.read_text("utf-8", "replace")[-2000:].strip() if path.exists() else ""


Process = subprocess.Popen[bytes] | Fork
Kernels = Callable[[], AbstractContextManager[Kernel]]


def fresh_kernel() -> AbstractContextManager[Kernel]:
    """Start a kernel and stop it afterwards.

    It starts before papermill is imported, so that both load side by side.
    """
    return _kernel(_start)


@contextmanager
def _kernel(start: Callable[[Path, Path, Path], Process]) -> Iterator[Kernel]:
    """Start a kernel in a private folder, by its connection, its working folder and the file of what it says."""
    with private_folder() as folder:
        connection = write_connection(folder)
        process = start(connection, working_folder(folder), folder / "said.txt")
        try:
            yield Kernel(process, folder, connection)
        finally:
            process.kill()
            process.wait()


def _start(connection: Path, folder: Path, said: Path) -> Process:
    with said.open("wb") as output:
        return subprocess.Popen(
            [sys.executable, "-P", "-m", "kit.runtime.kernel", "-f", str(connection)],
            stdin=subprocess.DEVNULL,
            stdout=output,
            stderr=output,
            cwd=folder,
            env=environment_of(folder.parent),
            start_new_session=True,  # Ctrl-C is for the parent alone, which then stops the kernel
        )


@contextmanager
def fork_server(*modules: str) -> Iterator[Kernels]:
    """Give a starter of kernels forked from a process that has imported these modules.

    Where the system cannot fork so, each kernel is a fresh process.
    """
    if not hasattr(os, "pidfd_open") or not hasattr(os, "fork"):
        yield fresh_kernel
        return
    server: Worker | None = None
    starting, stack = threading.Lock(), ExitStack()

    def fork(connection: Path, folder: Path, said: Path) -> Process:
        nonlocal server
        with starting:  # when the first kernel is asked for, and again if it was killed
            if server is None or not server.usable:
                room = stack.enter_context(private_folder())
                environment = environment_of(room)
                server = Worker(*modules, folder=working_folder(room), environment=environment)
                stack.callback(server.close)
        order = (connection, folder, said, environment_of(folder.parent))
        try:
            return Fork(server.begin(fork_kernel, order).result())
        except (EOFError, OSError) as error:
            raise ChildProcessError("the process that starts kernels was killed") from error

    with stack:
        yield lambda: _kernel(fork)


def fork_kernel(connection: Path, folder: Path, said: Path, environment: Mapping[str, str]) -> int:
    """Fork a kernel from this process, which a `Worker` is, and return its number."""
    with suppress(ChildProcessError):  # where there is none
        while os.waitpid(-1, os.WNOHANG)[0]:  # the numbers of those that ended may be given to others now
            pass
    gc.freeze()  # no kernel looks through what all of them share, or copies its pages
    server, pid = os.getpid(), os.fork()
    if pid:
        return pid
    try:
        os.setsid()
        os.close(int(sys.argv[1]))  # else whoever waits for the server's answer never learns of its end
        output = os.open(said, os.O_WRONLY | os.O_CREAT | os.O_APPEND, 0o600)
        for target in (1, 2):
            os.dup2(output, target)
        os.chdir(folder)
        os.environ.clear()
        os.environ.update({**environment, ALONE: "1", PARENT: f"{server} main"})
        serve_notebook(["-f", str(connection)])
    finally:
        os._exit(1)


def working_folder(folder: Path) -> Path:
    """Make a folder that is empty but for a blank matplotlibrc, which keeps the user's own out."""
    work = folder / "work"
    work.mkdir()
    (work / "matplotlibrc").touch()
    return work


def write_connection(folder: Path) -> Path:
    """Write the file that tells a kernel where to listen, and return its path: sockets in the folder, no ports."""
    path = folder / "kernel.json"
    if sys.platform == "win32":  # its sockets have no path: ports, whose messages bear a key
        from jupyter_client.connect import write_connection_file

        write_connection_file(str(path), key=secrets.token_hex(32).encode())
        return path
    socket = {"transport": "ipc", "ip": str(folder / "s"), "kernel_name": ""}
    signed = {"key": secrets.token_hex(32), "signature_scheme": "hmac-sha256"}
    ports = {name: place for place, name in enumerate(_PORTS, 1)}
    path.write_text(json.dumps({**socket, **signed, **ports}), "utf-8")
    return path


def environment_of(folder: Path) -> dict[str, str]:
    """Return the environment of a kernel: nothing of the user's that changes results; it ends with its parent."""
    return {
        **{name: value for name, value in os.environ.items() if name not in _DROPPED},
        **dict.fromkeys(_THREADS, "1"),
        **_MEMORY,
        "PYTHONHASHSEED": "0",
        "PYTHONUTF8": "1",
        "PYDEVD_DISABLE_FILE_VALIDATION": "1",
        "MPLBACKEND": "agg",
        **dict.fromkeys(("TMPDIR", "TEMP", "TMP"), str(folder)),
        **dict.fromkeys(_OF_JUPYTER, str(folder / "jupyter")),
        "IPYTHONDIR": str(folder / "ipython"),
        **of_this_process(),
        FAULTS_FILE: str(folder / "faults.json"),
    }


def is_kernel() -> bool:
    """Return whether this process is a kernel in which a report is being made."""
    return FAULTS_FILE in os.environ


@contextmanager
def manager_of(kernel: Kernel) -> Iterator[Any]:
    """Give a kernel manager, as nbclient takes it, of the process that runs already; close its sockets afterwards."""
    from jupyter_client.kernelspec import KernelSpec
    from jupyter_client.manager import AsyncKernelManager
    from jupyter_client.provisioning.local_provisioner import LocalProvisioner

    class Adopted(AsyncKernelManager):  # type: ignore[misc]
        clients: Any = ()

        @property
        def kernel_spec(self) -> Any:
            return KernelSpec(argv=[sys.executable], language="python", display_name="repeatburn")

        def client(self, **how: Any) -> Any:
            made = super().client(**how)
            self.clients = (*self.clients, made)
            return made

    manager: Any = Adopted(connection_file=str(kernel.connection))
    manager.load_connection_file()
    manager.provisioner = LocalProvisioner(parent=manager, kernel_spec=manager.kernel_spec)
    manager.provisioner.process = kernel.process
    manager.provisioner.pid = kernel.process.pid
    try:
        yield manager
    finally:
        for each in manager.clients:
            each.stop_channels()
        manager.context.destroy(linger=0)


def serve_notebook(arguments: list[str]) -> None:
    """Start the kernel and serve until it is told to stop."""
    # that a cache cannot be written, or is made anew, is no part of a report
    logging.getLogger("matplotlib").setLevel(logging.ERROR)
    import pandas  # noqa: F401  # while the other process still imports papermill

    app: Any = _application().instance(parent_handle=os.getppid())
    app.config.HistoryManager.enabled = False
    if not Path(os.environ["IPYTHONDIR"]).parent.is_dir():
        return  # whoever started it was killed, and its folder is swept: IPython would make another and leave it
    app.initialize(arguments)
    shared_worker("kit.judge.judging")  # it loads what judging needs while this one waits for its first cell
    app.shell.set_custom_exc((KitError,), _hand_back)
    app.start()


def _application() -> Any:
    """Return ipykernel's application, without its port and with the kit's own watch over the parent."""
    kernelapp: Any = import_module("ipykernel.kernelapp")

    class WithoutPort(kernelapp.IOPubThread):  # type: ignore[misc]
        # what processes forked from a kernel print would come in over a TCP port that any user could write to
        def __init__(self, socket: Any, pipe: bool = False, **more: Any) -> None:
            super().__init__(socket, pipe=False, **more)

    class Application(kernelapp.IPKernelApp):  # type: ignore[misc]
        def init_poller(self) -> None:
            end_with_parent()

    kernelapp.IOPubThread = WithoutPort
    return Application


def _hand_back(shell: Any, kind: type, error: Any, trace: Any, tb_offset: int | None = None) -> list[str]:
    """Write the problems where the other process finds them, and show them without a traceback."""
    target = os.environ.get(FAULTS_FILE)
    if target:
        records = [problem.as_record() for problem in error.problems]
        Path(target).write_text(json.dumps(records, ensure_ascii=True), "utf-8")
    lines = [f"{kind.__name__}:", *map(str, error.problems)]
    shell._showtraceback(kind, error, lines)
    return lines


if __name__ == "__main__":
    serve_notebook(sys.argv[1:])
