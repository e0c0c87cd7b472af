"""A kernel of our own: this Python, no kernel specification, nothing of the user's start-up read."""

from __future__ import annotations

import json
import os
import secrets
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final, Protocol

from kit.errors import KitError, Problem
from kit.runtime.locked_tmp import held, sweep

FAULTS_FILE: Final = "REPEATBURN_FAULTS"
"""Names, in a kernel's environment, the file in which it hands back problems."""
_PORTS: Final = ("shell_port", "iopub_port", "stdin_port", "control_port", "hb_port")
_FEWEST_BYTES: Final = 1 << 20
_LONGEST_SOCKET: Final = 90  # the path of a Unix socket ends at 104 to 108 bytes
_THREADS: Final = ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS", "VECLIB_MAXIMUM_THREADS")
_DROPPED: Final = ("PYTHONSTARTUP", "PYTHONWARNINGS", "PYTHONINSPECT", "MATPLOTLIBRC", "IPYTHON_DIR")


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
    room: Path
    connection: Path

    @property
    def faults(self) -> Path:
        """Where the kernel writes the problems of a KitError."""
        return self.room / "faults.json"

    def said(self) -> str:
        """Return the last lines the process itself wrote, for when it died."""
        path = self.room / "said.txt"
        return path.read_text("utf-8", "replace")[-2000:].strip() if path.exists() else ""


@contextmanager
def fresh_kernel() -> Iterator[Kernel]:
    """Start a kernel and stop it afterwards.

    It starts before papermill is imported, so that both load side by side.
    """
    with room_of() as room:
        connection = write_connection(room)
        with (room / "said.txt").open("wb") as said:
            process = subprocess.Popen(
                [sys.executable, "-P", "-m", "kit.runtime.kernel", "-f", str(connection)],
                stdin=subprocess.DEVNULL,
                stdout=said,
                stderr=said,
                cwd=working_folder(room),
                env=environment_of(room),
                start_new_session=True,  # Ctrl-C is for the parent alone, which then stops the kernel
            )
        try:
            yield Kernel(process, room, connection)
        finally:
            process.kill()
            process.wait()


@contextmanager
def room_of() -> Iterator[Path]:
    """Give a private folder with a path short enough for sockets; it goes afterwards.

    Raises
    ------
    KitError
        Where no place for temporary files can be written.
    """
    places = ["/tmp", "/dev/shm"]
    with suppress(FileNotFoundError):  # no place that can be written
        places.insert(0, tempfile.gettempdir())
    usable = [each for each in places if os.access(each, os.W_OK) and _has_room(each)]
    if not usable:
        found, expected = "no room there", "a folder for temporary files that can be written"
        raise KitError(
            Problem(
                "refuse", "temporary files", found, expected, "Free some space, or name another in TMPDIR."
            )
        )
    place = next((each for each in usable if len(each) < 60), usable[0])
    sweep(Path(place), "rb-*")
    room = Path(tempfile.mkdtemp(prefix="rb-", dir=place))
    try:
        with held(room):
            yield room
    finally:
        shutil.rmtree(room, ignore_errors=True)


def _has_room(place: str) -> bool:
    return shutil.disk_usage(place).free >= _FEWEST_BYTES


def working_folder(room: Path) -> Path:
    """Make a folder that is empty but for a blank matplotlibrc, which keeps the user's own out."""
    folder = room / "work"
    folder.mkdir()
    (folder / "matplotlibrc").touch()
    return folder


def write_connection(room: Path) -> Path:
    """Write the file that tells a kernel where to listen, and return its path."""
    path = room / "kernel.json"
    socket = str(room / "s")
    if sys.platform == "win32" or len(socket) > _LONGEST_SOCKET:
        from jupyter_client.connect import write_connection_file

        write_connection_file(str(path), key=secrets.token_hex(32).encode())
        return path
    ports = {name: place for place, name in enumerate(_PORTS, 1)}
    settings: dict[str, Any] = {"transport": "ipc", "ip": socket, "key": secrets.token_hex(32), **ports}
    path.write_text(json.dumps({**settings, "signature_scheme": "hmac-sha256", "kernel_name": ""}), "utf-8")
    return path


def environment_of(room: Path, parent: int | None = None) -> dict[str, str]:
    """Return the environment of a kernel: nothing of the user's that changes results; it ends with its parent."""
    own = Path(__file__).resolve().parents[2]
    paths = [str(own), *filter(None, [os.environ.get("PYTHONPATH")])]
    kept = {name: value for name, value in os.environ.items() if name not in _DROPPED}
    return {
        **kept,
        **dict.fromkeys(_THREADS, "1"),
        "PYTHONPATH": os.pathsep.join(paths),
        "PYTHONHASHSEED": "0",
        "PYTHONUTF8": "1",
        "PYDEVD_DISABLE_FILE_VALIDATION": "1",
        "MPLBACKEND": "agg",
        "TMPDIR": str(room),
        "IPYTHONDIR": str(room / "ipython"),
        "JUPYTER_CONFIG_DIR": str(room / "jupyter"),
        "JUPYTER_DATA_DIR": str(room / "jupyter"),
        "JUPYTER_RUNTIME_DIR": str(room / "jupyter"),
        "JPY_PARENT_PID": str(parent or os.getpid()),
        FAULTS_FILE: str(room / "faults.json"),
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
