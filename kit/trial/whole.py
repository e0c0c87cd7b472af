"""Single files appear whole or not at all."""

from __future__ import annotations

import glob
import time
import uuid
from contextlib import suppress
from pathlib import Path
from typing import Final

_GRACE_S: Final = 60.0


def write_whole(place: Path, held: bytes | str) -> None:
    """Write a file beside its place and rename it; what a killed process left of an earlier try goes."""
    for left in place.parent.glob(f".{glob.escape(place.name)}-*"):
        with suppress(OSError):  # somebody else's, or just being renamed
            if time.time() - left.stat().st_mtime > _GRACE_S:
                left.unlink()
    fresh = place.with_name(f".{place.name}-{uuid.uuid4().hex[:8]}")
    try:
        fresh.write_bytes(held if isinstance(held, bytes) else held.encode("utf-8", "replace"))
        fresh.replace(place)
    finally:
        fresh.unlink(missing_ok=True)
