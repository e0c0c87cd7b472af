"""Reports on a Dask cluster: one task a run folder, tried again where a worker is lost."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from importlib import import_module
from typing import TYPE_CHECKING, Any, Final

from kit.errors import KitError, Problem

if TYPE_CHECKING:
    from kit.publish.many import Outcome, Task

_RETRIES: Final = 3


def on_cluster(tasks: Sequence[Task], address: str) -> Iterator[Outcome]:
    """Give the outcome of each task as it comes.

    A worker that is lost may have published its report already: the next try finds it standing and makes no second.

    Raises
    ------
    KitError
        Where Dask is not installed or the scheduler does not answer.
    """
    from kit.publish.many import Outcome, attempt_here

    try:
        distributed: Any = import_module("distributed")
    except ImportError as error:
        remedy = "Install it: pip install 'repeatburn[cluster]'"
        raise KitError(
            Problem("refuse", "--cluster", "Dask is not installed", "the package", remedy)
        ) from error
    with _connected(distributed.Client, address) as client:
        futures = {
            client.submit(
                attempt_here, task, key=f"report-{task.folder}", pure=False, retries=_RETRIES
            ): task.folder
            for task in tasks
        }
        for future in distributed.as_completed(list(futures)):
            if future.status == "finished":
                yield future.result()
            else:
                words = f"the cluster gave it up: {future.exception()}"
                yield Outcome(futures[future], "failed", words=words)


def _connected(client: Any, address: str) -> Any:
    try:
        return client(address, timeout="10s")
    except (OSError, ValueError) as error:
        found, expected = f"no answer from {address}", "the address of a running scheduler"
        raise KitError(Problem("refuse", "--cluster", found, expected, "Check that it runs.")) from error
