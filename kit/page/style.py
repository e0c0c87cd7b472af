"""The kit's own look: colours of fuels for pages and figures, and the style sheet of every page."""

from __future__ import annotations

from functools import cache
from typing import Final

from kit.data_file import data_file, data_text

_COLOURS: Final = data_file(__file__, "colours.toml")

LIGHT, DARK = (_COLOURS[ground]["page"] for ground in ("light", "dark"))
FUELS_LIGHT, FUELS_DARK = (tuple(_COLOURS[ground]["fuels"]) for ground in ("light", "dark"))

MARKERS: Final = ("o", "s", "^", "D", "v", "P", "X", "h")
"""A mark for each fuel, so that fuels are told apart without colour."""

KIND_LINES: Final = ("solid", (0, (6, 2)), (0, (1.5, 1.5)), (0, (7, 2, 1.5, 2)))
"""A line style for each kind, as matplotlib takes it."""


@cache
def stylesheet() -> str:
    """Return the style sheet of every page: light, dark and print, from 320 px up."""
    rules = data_text(__file__, "style.css")
    light, dark = _variables(LIGHT, FUELS_LIGHT), _variables(DARK, FUELS_DARK)
    return (
        f":root{{color-scheme:light dark;{light}}}\n"
        f"@media screen and (prefers-color-scheme:dark){{:root{{{dark}}}}}\n"
        f"{rules}{_choices()}"
    )


def _choices() -> str:
    """Return rules that fade what is not of the fuel or kind chosen in a figure, and that colour keys of fuels."""
    groups = [*(f"fuel-{place}" for place in range(1, 13)), *(f"kind-{place}" for place in range(1, 7))]
    faded = ",".join(f'figure:has(input[value="{group}"]:checked) .pick:not(.{group})' for group in groups)
    keys = "".join(f".key.fuel-{place}{{background:var(--fuel-{place})}}" for place in range(1, 9))
    return f"@media screen{{{faded}{{opacity:.09}}}}\n{keys}\n"


def _variables(names: dict[str, str], fuels: tuple[str, ...]) -> str:
    own = "".join(f"--{name}:{value};" for name, value in names.items())
    return own + "".join(f"--fuel-{place}:{value};" for place, value in enumerate(fuels, 1))
