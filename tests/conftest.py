"""What takes long is done once: tests that share it run in one process, and notebooks in forks of another."""

import pytest
from hypothesis import settings
from xdist.scheduler import LoadScopeScheduling

from kit.publish import history_report, report
from kit.publish.many import PRELOADED
from kit.runtime.kernel import fork_server, fresh_kernel

settings.register_profile("kit", deadline=None)  # how long a call takes on a busy machine is no fault
settings.load_profile("kit")

TOGETHER = {
    "analyses": ("publish_content/", "test_analysis.py", "test_examples.py", "judge/test_consistency.py"),
    "demo": ("publish/test_demo.py",),
    "plans": ("plan/",),
    "pages": ("publish/test_browser.py",),
    "notebooks": ("test_notebooks.py",),
    "lab": ("publish/test_in_lab.py",),
    "seasons": ("history/test_report.py",),
    "forgeries": ("publish/test_recheck.py",),
}
"""Where tests of one process stand, the longest first: what begins last is waited for."""


def shared_by(nodeid):
    place = nodeid.removeprefix("tests/")
    return next((name for name, starts in TOGETHER.items() if place.startswith(starts)), nodeid)


class Together(LoadScopeScheduling):
    def _split_scope(self, nodeid):
        return shared_by(nodeid)


def pytest_xdist_make_scheduler(config, log):
    config.option.loadscopereorder = False
    return Together(config, log)


def pytest_collection_modifyitems(items):
    turn = {name: place for place, name in enumerate(TOGETHER)}
    items.sort(key=lambda item: turn.get(shared_by(item.nodeid), len(turn)))


def start_kernels_by(kernels, patch):
    for module in (report, history_report):
        patch.setattr(module, "fresh_kernel", kernels)


@pytest.fixture(scope="session", autouse=True)
def forked_kernels():
    """Run notebooks in forks of one process that has their libraries: seconds less each than in a fresh one."""
    with fork_server(*PRELOADED) as kernels, pytest.MonkeyPatch.context() as patch:
        start_kernels_by(kernels, patch)
        yield


@pytest.fixture(autouse=True)
def own_kernel(request, monkeypatch):
    """Give a test that bears this mark a kernel in a process of its own, as users have it."""
    if request.node.get_closest_marker("own_kernel"):
        start_kernels_by(fresh_kernel, monkeypatch)
