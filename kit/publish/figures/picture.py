"""A figure of one's own as the kit's are shown: an image with words, right in a notebook and on the page."""

from __future__ import annotations

import sys
from typing import TYPE_CHECKING, Any

from kit.page.figures import figure
from kit.page.text import Html, anchor
from kit.publish.figures.svg import small_svg

if TYPE_CHECKING:
    from matplotlib.figure import Figure


def picture(drawn: Figure | Any, *, alt: str, title: str = "", caption: str = "") -> Html:
    """Return a matplotlib figure, or what seaborn returns, as a figure with alt text and caption.

    Parameters
    ----------
    drawn
        A figure, axes, or a grid of seaborn's. It is taken from pyplot's hands, which would show it a second time.
    alt
        What it shows, in words with numbers, for those who cannot see it.
    title, caption
        A short name; what bars and bands are, over what, and n.

    Raises
    ------
    ValueError
        Where there are no words for those who cannot see it.
    """
    if not alt.strip():
        raise ValueError("a picture needs alt: what it shows, in words")
    whole = getattr(drawn, "figure", drawn)
    pyplot = sys.modules.get("matplotlib.pyplot")
    if pyplot is not None:
        pyplot.close(whole)
    name = title or alt
    return figure(
        small_svg(whole), alt=alt, title=name[:80], caption=caption or title, key=anchor("picture", name)
    )
