"""A kernel of our own: this Python, no kernel specification, nothing of the user's start-up read; faults come as data.

The process that a notebook runs in is started as ``python -m kit.runtime.kernel -f CONNECTION``.
"""

from __future__ import annotations

import json
import logging
import os
import secrets
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final, Protocol

from kit.runtime.locked_tmp import private_folder
from kit.runtime.process_end import end_with_parent, of_this_process

FAULTS_FILE: Final = "REPEATBURN_FAULTS"
"""Names, in a kernel's environment, the file in which it hands back problems."""
_PORTS: Final = ("shell_port", "iopub_port", "stdin_port", "control_port", "hb_port")
_THREADS: Final = ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS", "VECLIB_MAXIMUM_THREADS")
_MEMORY: Final = {"MALLOC_TRIM_THRESHOLD_": str(1 << 28), "MALLOC_MMAP_THRESHOLD_": str(1 << 25)}
"""Of the GNU C library: arrays that are freed are kept for the next ones, which asked anew take as long as to fill."""
_DROPPED: Final = (
    "PYTHONSTARTUP", "PYTHONWARNINGS", "PYTHONINSPECT", "MATPLOTLIBRC", "IPYTHON_DIR",
    "JPY_PARENT_PID", "JPY_INTERRUPT_EVENT",
)  # fmt: skip


class Process(Protocol):
    """What a kernel's process must be able to do; a Popen can."""

    pid: int

    def poll(self) -> int | None:
        """Return None while it runs."""

    def kill(self) -> None:
        """End it at once."""

    def wait(self, timeout: float | None = None) -> int:
        """Wait until it has ended."""


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


@contextmanager
def fresh_kernel() -> Iterator[Kernel]:
    """Start a kernel and stop it afterwards.

    It starts before papermill is imported, so that both load side by side.
    """
    with private_folder() as folder:
        connection = write_connection(folder)
        with (folder / "said.txt").open("wb") as said:
            process = subprocess.Popen(
                [sys.executable, "-P", "-m", "kit.runtime.kernel", "-f", str(connection)],
                stdin=subprocess.DEVNULL,
                stdout=said,
                stderr=said,
                cwd=working_folder(folder),
                env=environment_of(folder),
                start_new_session=True,  # Ctrl-C is for the parent alone, which then stops the kernel
            )
        try:
            yield Kernel(process, folder, connection)
        finally:
            process.kill()
            process.wait()


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
    ports = {name: place for place, name in enumerate(_PORTS, 1)}
    settings: dict[str, Any] = {
        "transport": "ipc",
        "ip": str(folder / "s"),
        "key": secrets.token_hex(32),
        **ports,
    }
    path.write_text(json.dumps({**settings, "signature_scheme": "hmac-sha256", "kernel_name": ""}), "utf-8")
    return path


def environment_of(folder: Path) -> dict[str, str]:
    """Return the environment of a kernel: nothing of the user's that changes results; it ends with its parent."""
    kept = {name: value for name, value in os.environ.items() if name not in _DROPPED}
    return {
        **kept,
        **dict.fromkeys(_THREADS, "1"),
        **_MEMORY,
        "PYTHONHASHSEED": "0",
        "PYTHONUTF8": "1",
        "PYDEVD_DISABLE_FILE_VALIDATION": "1",
        "MPLBACKEND": "agg",
        "TMPDIR": str(folder),
        "TEMP": str(folder),
        "TMP": str(folder),
        "IPYTHONDIR": str(folder / "ipython"),
        "JUPYTER_CONFIG_DIR": str(folder / "jupyter"),
        "JUPYTER_DATA_DIR": str(folder / "jupyter"),
        "JUPYTER_RUNTIME_DIR": str(folder / "jupyter"),
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
    from kit.errors import KitError
    from kit.runtime.worker import shared_worker

    shared_worker(
        "kit.judge.judging"
    )  # it loads what judging needs while this process waits for its first cell

    app.shell.set_custom_exc((KitError,), _hand_back)
    app.start()


def _application() -> Any:
    """Return ipykernel's application, without its port and with the kit's own watch over the parent."""
    from importlib import import_module

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
