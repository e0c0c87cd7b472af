"""Words and tables that stand as data beside the code that reads them."""

import tomllib
from pathlib import Path
from typing import Any


def data_text(module: str, name: str) -> str:
    """Return the text of a file beside a module, whose `__file__` is given."""
    return Path(module).with_name(name).read_text(encoding="utf-8")


def data_file(module: str, name: str) -> dict[str, Any]:
    """Return what a TOML file beside a module holds.

    Examples
    --------
    >>> from kit.page import document
    >>> data_file(document.__file__, "cautions.toml")["edition"][:8]
    'Cautions'
    """
    return tomllib.loads(data_text(module, name))
