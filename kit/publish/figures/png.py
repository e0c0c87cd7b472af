"""A matplotlib figure as two pictures, in light colours and in dark ones, laid out once."""

from __future__ import annotations

import io
from collections.abc import Mapping
from typing import Any

import numpy as np

from kit.publish.figures.canvas import Figure, light_to_dark
from kit.publish.figures.svg import drawing_settings

COMPRESSION = 2
"""Half the time of the default for pictures a third larger; there are four of each figure."""


def light_and_dark(figure: Figure) -> tuple[bytes, bytes]:
    """Return a figure in light colours as PNG in those and in the dark ones, the same bytes each time."""
    from matplotlib.backends import backend_agg

    canvas: Any = backend_agg.RendererAgg
    light, dark = (canvas(*figure.canvas.get_width_height(), figure.dpi) for _ in range(2))
    both: Any = BothColourings(light, dark, light_to_dark())
    with drawing_settings():
        figure.draw(both)
    return _png(light, figure.dpi), _png(dark, figure.dpi)


def _png(renderer: Any, dpi: float) -> bytes:
    from PIL import Image

    target = io.BytesIO()
    picture = Image.fromarray(np.asarray(renderer.buffer_rgba())).convert(
        "RGB"
    )  # the paper hides what lies behind
    picture.save(target, "png", dpi=(dpi, dpi), compress_level=COMPRESSION)
    return target.getvalue()


class BothColourings:
    """A renderer of matplotlib's that draws upon two canvases at once, upon the second in turned colours.

    Parameters
    ----------
    first, second
        The renderers; how large a text is and the like is asked of the first alone.
    colours
        Colour to turned colour, as '#rrggbb'; opacity stays, and so do colours that are not listed.
    """

    def __init__(self, first: Any, second: Any, colours: Mapping[str, str]) -> None:
        self._first, self._second, self._colours = first, second, colours

    def __getattr__(self, name: str) -> Any:
        """Return what the first renderer has of this name; of what draws, both."""
        upon_first = getattr(self._first, name)
        if not name.startswith("draw_"):
            return upon_first
        upon_second = getattr(self._second, name)

        def upon_both(*parts: Any, **how: Any) -> None:
            upon_first(*parts, **how)
            upon_second(*map(self._turned, parts), **how)

        return upon_both

    def _turned(self, part: Any) -> Any:
        """Return a colour, an array of colours, or the pen that is drawn with, turned; all else as it is."""
        from matplotlib.backend_bases import GraphicsContextBase
        from matplotlib.colors import to_hex, to_rgba

        if isinstance(part, GraphicsContextBase):
            pen = self._second.new_gc()
            pen.copy_properties(part)
            pen.set_foreground(self._turned(part.get_rgb()), isRGBA=True)
            return pen
        if isinstance(part, np.ndarray) and part.shape[1:] == (4,):
            return np.array([self._turned(tuple(colour)) for colour in part]).reshape(part.shape)
        if isinstance(part, tuple) and len(part) in (3, 4):
            new = self._colours.get(to_hex(part))
            return part if new is None else to_rgba(new, *part[3:])
        return part
