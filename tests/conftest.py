"""Notebooks run in forks of one process that has their libraries: seconds less each than in a fresh one."""

import pytest

from kit.publish import report
from kit.publish.many import PRELOADED
from kit.publish.seasons import history_report
from kit.runtime.fork_server import fork_server
from kit.runtime.kernel import fresh_kernel


def start_kernels_by(kernels, patch):
    for module in (report, history_report):
        patch.setattr(module, "fresh_kernel", kernels)


@pytest.fixture(scope="session", autouse=True)
def forked_kernels():
    with fork_server(*PRELOADED) as kernels, pytest.MonkeyPatch.context() as patch:
        start_kernels_by(kernels, patch)
        yield


@pytest.fixture(autouse=True)
def own_kernel(request, monkeypatch):
    """Give a test that bears this mark a kernel in a process of its own, as users have it."""
    if request.node.get_closest_marker("own_kernel"):
        start_kernels_by(fresh_kernel, monkeypatch)
