"""Single files appear whole or not at all."""

from __future__ import annotations

import time
import uuid
from contextlib import suppress
from pathlib import Path
from typing import Final

_GRACE_S: Final = 60.0


def write_atomically(place: Path, held: bytes | str) -> None:
    """Write a file beside its place and rename it, so that nobody sees half of one."""
    sweep_drafts(place.parent)
    draft = place.with_name(f".{place.name}.draft-{uuid.uuid4().hex[:8]}")
    try:
        draft.write_bytes(held if isinstance(held, bytes) else held.encode("utf-8", "replace"))
        draft.replace(place)
    finally:
        draft.unlink(missing_ok=True)


def sweep_drafts(folder: Path) -> None:
    """Remove what killed processes left of files they were writing, once it is a minute old."""
    for left in folder.glob(".*.draft-????????"):
        with suppress(OSError):  # somebody else's, or just being renamed
            if time.time() - left.stat().st_mtime > _GRACE_S:
                left.unlink()
