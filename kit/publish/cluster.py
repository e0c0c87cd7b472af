"""Reports on a Dask cluster: one task a run folder, tried again where a worker is lost."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from importlib import import_module
from typing import Any, Final, TypeVar

from kit.errors import KitError, Problem

_RETRIES: Final = 3


Task = TypeVar("Task")
Outcome = TypeVar("Outcome")


def on_cluster(
    attempt: Callable[[Task], Outcome], tasks: Mapping[str, Task], address: str
) -> Iterator[tuple[str, Outcome | str]]:
    """Give the outcome of each folder's task as it comes, or in words why the cluster gave it up.

    A worker that is lost may have published its report already: the next try finds it standing and makes no second.

    Raises
    ------
    KitError
        Where Dask is not installed or the scheduler does not answer.
    """
    try:
        distributed: Any = import_module("distributed")
    except ImportError as error:
        remedy = "Install it: pip install 'repeatburn[cluster]'"
        raise KitError(
            Problem("refuse", "--cluster", "Dask is not installed", "the package", remedy)
        ) from error
    with _connected(distributed.Client, address) as client:
        futures = {
            client.submit(attempt, task, key=f"report-{folder}", pure=False, retries=_RETRIES): folder
            for folder, task in tasks.items()
        }
        for future in distributed.as_completed(list(futures)):
            finished = future.status == "finished"
            yield (
                futures[future],
                future.result() if finished else f"the cluster gave it up: {future.exception()}",
            )


def _connected(client: Any, address: str) -> Any:
    try:
        return client(address, timeout="10s")
    except (OSError, ValueError) as error:
        found, expected = f"no answer from {address}", "the address of a running scheduler"
        raise KitError(Problem("refuse", "--cluster", found, expected, "Check that it runs.")) from error
