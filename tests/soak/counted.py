"""The kit's command, killed just before its so-many-th change of a file or folder.

    python -m tests.soak.counted AT FOLDER VERB …

AT 0 kills nothing and says at the end how many changes there were.
"""

import os
import signal
import sys

WRITES = os.O_WRONLY | os.O_RDWR | os.O_CREAT
CHANGES = {"os.rename", "os.remove", "os.mkdir", "os.rmdir", "os.link"}


class Watch:
    """Counts what would change below a folder; a folder is removed by names relative to a handle."""

    def __init__(self, at: int, folder: str) -> None:
        self.at, self.folder, self.done = at, folder, 0

    def __call__(self, event: str, told: tuple[object, ...]) -> None:
        opened = event == "open" and isinstance(told[2], int) and told[2] & WRITES
        if not (event in CHANGES or opened) or not isinstance(told[0], str | bytes | os.PathLike):
            return
        name = os.fsdecode(told[0])
        if name.startswith(self.folder) or not (opened or name.startswith(os.sep)):
            self.done += 1
            if self.done == self.at:
                os.kill(os.getpid(), signal.SIGKILL)


if __name__ == "__main__":
    watch = Watch(int(sys.argv[1]), sys.argv[2])
    sys.addaudithook(watch)
    from kit.cli import main

    code = main(sys.argv[3:])
    print("changes", watch.done, file=sys.stderr)
    sys.exit(code)
