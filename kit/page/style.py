"""The kit's own look: colours of fuels for pages and figures, and the style sheet of every page."""

from __future__ import annotations

from functools import cache
from typing import Final

from kit.data_file import data_text

FUELS_LIGHT: Final = (
    "#955227", "#0f3395", "#609589", "#5a2150", "#938e00", "#805ecd", "#7c0202", "#3b677d",
)  # fmt: skip
"""Colours of fuels on a light page: found by a search for the largest least distance in OKLab as seen with
normal, deutan, protan and tritan sight (simulated after Machado et al. 2009), each at least 3.1 : 1 against
the page."""

FUELS_DARK: Final = (
    "#e47714", "#5478e2", "#a9d7bd", "#b7899b", "#ecc825", "#6d6287", "#bb3e29", "#31b7fe",
)  # fmt: skip
"""The same fuels on a dark page, hue by hue."""

MARKERS: Final = ("o", "s", "^", "D", "v", "P", "X", "h")
"""A mark for each fuel, so that fuels are told apart without colour."""

KIND_LINES: Final = ("solid", (0, (6, 2)), (0, (1.5, 1.5)), (0, (7, 2, 1.5, 2)))
"""A line style for each kind, as matplotlib takes it."""

LIGHT: Final = {
    "paper": "#fbfaf6", "raised": "#f2f0e8", "ink": "#23262a", "soft": "#565b60", "line": "#cfcabd",
    "mark": "#1d5c53", "band": "#dfe7df", "warn": "#8a3b12", "warnpaper": "#f8ece0",
}  # fmt: skip
DARK: Final = {
    "paper": "#16181b", "raised": "#1f2327", "ink": "#e7e3da", "soft": "#b0aca2", "line": "#43474b",
    "mark": "#86cbbb", "band": "#26332f", "warn": "#f0a56b", "warnpaper": "#2e231a",
}  # fmt: skip


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
