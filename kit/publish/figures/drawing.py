"""A figure with its words and data: for the page, for files of its own, for film; and a figure of one's own."""

from __future__ import annotations

import base64
import sys
from collections.abc import Callable, Iterable, Mapping
from concurrent.futures import Future
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING, Any

from kit.page.inline_svg import figure
from kit.page.text import Html, anchor, element
from kit.publish.figures.canvas import FILM, PAGE, Figure, Frame, light_to_dark, mark_simulated, sign_film
from kit.publish.figures.png import light_and_dark
from kit.publish.figures.svg import recoloured, small_svg, with_words
from kit.publish.plain import as_csv
from kit.publish.wording import told, words
from kit.runtime.worker import outcome, running_worker

if TYPE_CHECKING:
    import pandas as pd

MOST_MARKS = 20_000
"""Rows of data up to which a figure stands in the page as SVG; beyond it is a picture."""

LONGEST_NOTE = 46


@dataclass(frozen=True)
class Drawing:
    """One figure of a report.

    Attributes
    ----------
    id
        Unique in the report, and the name of its files: 'comparisons-peak'.
    title, alt, caption
        Its short name; what it shows with its numbers, for those who cannot see it; what its bars and bands
        are, over what, and n.
    headline, note
        For film: at most eight words, and 'bar: 95 % interval; 3 bags, 6 burns'.
    data
        What is drawn, in the units shown; exported as CSV.
    draw
        Makes the figure for a frame.
    claim
        Id of the claim it shows, '' where it shows no single one.
    simulated
        Whether it shows burns that came from a computer: every file of it says so.
    choices
        What a reader can choose to see alone: name of a group of the drawing, and its label.
    """

    id: str
    title: str
    alt: str
    caption: str
    headline: str
    note: str
    data: pd.DataFrame
    draw: Callable[[Frame], Figure]
    claim: str = ""
    simulated: bool = False
    choices: tuple[tuple[str, str], ...] = ()

    @property
    def file(self) -> str:
        """Name of its files without their endings."""
        return anchor(self.id)

    @cached_property
    def page_figure(self) -> Figure:
        """The figure as the page has it, drawn once."""
        return self.drawn(PAGE)

    def drawn(self, frame: Frame) -> Figure:
        """Return the figure in a frame, marked where its burns are simulated."""
        drawn = self.draw(frame)
        if self.simulated and not frame.film:
            mark_simulated(drawn, frame)
        return drawn

    @property
    def said(self) -> str:
        """Its alt text, led by what must be said first."""
        return f"Simulated burns. {self.alt}" if self.simulated else self.alt

    @property
    def rows(self) -> pd.DataFrame:
        """Its data as exported: simulated ones say so in every row."""
        return self.data.assign(simulated="yes") if self.simulated else self.data

    def __getstate__(self) -> dict[str, Any]:
        """Return what goes to another process: not the figure, which is drawn there."""
        return {name: value for name, value in vars(self).items() if name != "page_figure"}

    @cached_property
    def svg(self) -> str:
        """The same as small SVG text in light colours."""
        return small_svg(self.page_figure)

    def html(self) -> Html:
        """Return the figure as an image with alt text and caption; the page sets it as a part of itself."""
        if len(self.data) > MOST_MARKS:
            return self._as_picture()
        words = {"alt": self.said, "title": self.title, "caption": self.caption, "key": f"figure {self.id}"}
        return figure(self.svg, **words, choices=self.choices)

    def _repr_html_(self) -> str:
        return str(self.html())

    def __repr__(self) -> str:
        return f"<drawing '{self.title}', {len(self.data)} rows of data>"

    def _as_picture(self) -> Html:
        light, dark = (
            f"data:image/png;base64,{base64.b64encode(picture).decode()}"
            for picture in light_and_dark(self.page_figure)
        )
        source = Html(f'<source media="(prefers-color-scheme: dark)" srcset="{dark}">')
        image = element("picture", source, element("img", src=light, alt=self.said))
        return element("figure", image, element("figcaption", self.caption), id=anchor("figure", self.id))

    def film(self, date: str, frame: Frame = FILM) -> Figure:
        """Return the 16:9 figure for film: at most 12 words, direct labels, claim id and date in the corner."""
        drawn = self.draw(frame)
        corner = f"{'simulated, ' if self.simulated else ''}{self.claim or self.id} {date}"
        sign_film(drawn, frame, self.headline, self.note[:LONGEST_NOTE], corner)
        return drawn


def figure_of(
    data: Any, key: str, of: str, rows: pd.DataFrame, draw: Callable[[Frame], Figure], /, **parts: object
) -> Drawing:
    """Return a drawing with its words as they stand in words.toml under figure.KEY, their {parts} filled in.

    Parameters
    ----------
    data
        What is drawn from: says whether it is simulated, and holds further parts.
    of
        What sets its id apart from other figures of this kind, as a metric does; else ''.
    """
    known = {"data": data, **parts}
    said: dict[str, Any] = {name: told(own, known) for name, own in words()["figure"][key].items()}
    return Drawing(f"{key} {of}".strip(), **said, data=rows, draw=draw, simulated=data.simulated)


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


Files = Mapping[str, bytes]

_begun: dict[tuple[int, str], tuple[Drawing, Future[Files]]] = {}
"""Files that the second process makes, by drawing and date; the drawing is kept so that its id stays its own."""


def export(drawings: Iterable[Drawing], folder: str | Path, date: str) -> list[Path]:
    """Write each drawing's files into a folder and return their paths.

    Of the drawing with id ID these are ID-light.svg, ID-dark.svg, ID-light.png, ID-dark.png, ID-film-light.png,
    ID-film-dark.png (1920 by 1080) and ID.csv. The same drawings give the same bytes.

    Parameters
    ----------
    drawings
        Those of all sections; an id that comes twice is written once.
    folder
        An existing folder.
    date
        As it stands in the corner of film pictures, yyyy-mm-dd.
    """
    chosen = list({drawing.file: drawing for drawing in drawings}.values())
    begin(chosen, date)
    written: dict[str, list[Path]] = {}
    for drawing in reversed(chosen):  # the second process comes from the other end
        _, future = _begun.pop((id(drawing), date), (drawing, None))
        files = outcome(future, files_of, (drawing, date))
        written[drawing.file] = [Path(folder) / name for name in files]
        for path, content in zip(written[drawing.file], files.values(), strict=True):
            path.write_bytes(content)
    return [path for drawing in chosen for path in written[drawing.file]]


def begin(drawings: Iterable[Drawing], date: str) -> None:
    """Have the second process make the files of drawings while others are still to be drawn, if there is one."""
    beside = running_worker()
    if beside is None:
        return
    for drawing in drawings:
        if (id(drawing), date) not in _begun:
            _begun[id(drawing), date] = (drawing, beside.begin(files_of, (drawing, date)))


def files_of(drawing: Drawing, date: str) -> Files:
    """Return the files of one drawing by name."""
    name = drawing.file
    svg = with_words(drawing.svg, drawing.title, drawing.said)
    pages, films = map(light_and_dark, (drawing.page_figure, drawing.film(date)))
    pictures = zip(("light", "dark", "film-light", "film-dark"), (*pages, *films), strict=True)
    return {
        f"{name}-light.svg": svg.encode(),
        f"{name}-dark.svg": recoloured(svg, light_to_dark()).encode(),
        f"{name}.csv": as_csv(drawing.rows).encode(),
        **{f"{name}-{kind}.png": picture for kind, picture in pictures},
    }
