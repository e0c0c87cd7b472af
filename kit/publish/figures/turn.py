"""A figure that was drawn in the light look turned to the dark one: its colours change, nothing is drawn again."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from matplotlib.figure import Figure

SINGLE = ("color", "markerfacecolor", "markeredgecolor")
"""Colours of lines and texts; patches and collections have faces and edges."""


def turned(figure: Figure, colours: Mapping[str, str]) -> Figure:
    """Return the same figure with each colour that is a key of `colours` ('#rrggbb') changed; opacity stays."""
    from matplotlib.collections import Collection
    from matplotlib.lines import Line2D
    from matplotlib.patches import Patch
    from matplotlib.text import Text

    for artist in figure.findobj():
        if isinstance(artist, Collection):
            _turn_collection(artist, colours)
        elif isinstance(artist, Patch):
            artist.set_facecolor(_turn(artist.get_facecolor(), colours))
            artist.set_edgecolor(_turn(artist.get_edgecolor(), colours))
        elif isinstance(artist, (Line2D, Text)):
            _turn_single(artist, colours)
    return figure


def _turn_single(artist: Any, colours: Mapping[str, str]) -> None:
    for name in SINGLE:
        read, write = (getattr(artist, f"{verb}_{name}", None) for verb in ("get", "set"))
        if read and write:
            write(_turn(read(), colours))


def _turn_collection(artist: Any, colours: Mapping[str, str]) -> None:
    if artist.get_array() is None:
        artist.set_facecolor([_turn(each, colours) for each in artist.get_facecolor()])
        artist.set_edgecolor([_turn(each, colours) for each in artist.get_edgecolor()])


def _turn(colour: Any, colours: Mapping[str, str]) -> Any:
    from matplotlib.colors import to_hex, to_rgba

    if isinstance(colour, str) and colour in ("none", "auto", "face"):
        return colour
    new = colours.get(to_hex(colour))
    return colour if new is None else to_rgba(new, to_rgba(colour)[3])
