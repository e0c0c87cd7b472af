"""A figure with its words and data: as a small SVG for the page, in files of its own, for film; and one's own."""

from __future__ import annotations

import io
import re
import sys
from collections.abc import Callable, Iterable, Mapping
from concurrent.futures import Future
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING, Any
from xml.etree import ElementTree as ET

import numpy as np

from kit.page.document import figure
from kit.page.text import Html, anchor, told
from kit.publish import canvas as figures
from kit.publish.canvas import FILM, PAGE, PHONE, Figure, Frame
from kit.publish.plain import as_csv
from kit.publish.wording import words
from kit.runtime.processes import outcome, running_worker

if TYPE_CHECKING:
    import pandas as pd

LONGEST_NOTE = 46
LONGEST_TITLE = 46


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
    narrow
        Whether it is drawn once more for a phone's width, where a page would make it scroll sideways.
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
    narrow: bool = False

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
            style: dict[str, Any] = {"color": frame.warn, "fontsize": frame.small, "parse_math": False}
            drawn.text(0.996, 0.004, "simulated", va="bottom", ha="right", **style)
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
        words = {"alt": self.said, "title": self.title, "caption": self.caption, "key": f"figure {self.id}"}
        narrow = small_svg(self.drawn(PHONE)) if self.narrow else ""
        return figure(self.svg, **words, choices=self.choices, narrow=narrow)

    def _repr_html_(self) -> str:
        return str(self.html())

    def __repr__(self) -> str:
        return f"<drawing '{self.title}', {len(self.data)} rows of data>"

    def film(self, date: str, frame: Frame = FILM) -> Figure:
        """Return the 16:9 figure for film: at most 12 words, direct labels, claim id or title in the corner."""
        drawn = self.draw(frame)
        named = self.claim or figures.short(self.title, LONGEST_TITLE)
        corner = f"{'simulated, ' if self.simulated else ''}{named} {date}"
        figures.sign_film(drawn, frame, self.headline, self.note[:LONGEST_NOTE], corner)
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
        f"{name}-dark.svg": recoloured(svg, figures.light_to_dark()).encode(),
        f"{name}.csv": as_csv(drawing.rows).encode(),
        **{f"{name}-{kind}.png": picture for kind, picture in pictures},
    }


COMPRESSION = 2
"""Half the time of the default for pictures a third larger; there are four of each figure."""


def light_and_dark(figure: Figure) -> tuple[bytes, bytes]:
    """Return a figure in light colours as PNG in those and in the dark ones, the same bytes each time."""
    from matplotlib.backends import backend_agg

    canvas: Any = backend_agg.RendererAgg
    light, dark = (canvas(*figure.canvas.get_width_height(), figure.dpi) for _ in range(2))
    both: Any = BothColourings(light, dark, figures.light_to_dark())
    with figures.drawing_settings():
        figure.draw(both)
    return _png(light, figure.dpi), _png(dark, figure.dpi)


def _png(renderer: Any, dpi: float) -> bytes:
    from PIL import Image

    target = io.BytesIO()
    drawn = Image.fromarray(np.asarray(renderer.buffer_rgba()))
    # the paper hides what lies behind
    drawn.convert("RGB").save(target, "png", dpi=(dpi, dpi), compress_level=COMPRESSION)
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


FONTS = "Seravek, Gill Sans Nova, Ubuntu, Calibri, DejaVu Sans, Noto Sans, sans-serif"

_SVG = "{http://www.w3.org/2000/svg}"
_LINK = "{http://www.w3.org/1999/xlink}href"
_NUMBER = re.compile(r"-?\d+\.\d+(?:e-?\d+)?")
_STEP = re.compile(r"([MLCQZz])([^MLCQZz]*)")
_RESTING = re.compile(r"l0 0(?![.\d])")
_WORTHLESS = ("stroke-linejoin: miter", "stroke-linecap: square", "stroke-linecap: butt")


def small_svg(figure: Figure) -> str:
    """Return the figure as SVG text without clock time, unused ids or needless digits.

    Its text may have held anything: it is text still, escaped by the writer of the XML.
    """
    drawn = io.BytesIO()
    with figures.drawing_settings():
        figure.savefig(drawn, format="svg", metadata={"Date": None, "Creator": None})
    root = ET.fromstring(drawn.getvalue())
    for child in list(root):
        if child.tag == f"{_SVG}metadata" or child.findall(f"{_SVG}style"):
            root.remove(child)
    root.set("font-family", FONTS)
    root.set("style", "stroke-linejoin:round")
    used = {element.get(_LINK, "").lstrip("#") for element in root.iter()}
    used |= {element.get("clip-path", "")[len("url(#") : -len(")")] for element in root.iter()}
    for element in root.iter():
        element.tail = None
        if element.text is not None and not element.text.strip():
            element.text = None
        if element.get("id", "").startswith("pick "):
            element.set("class", element.attrib.pop("id"))
        elif element.get("id") not in used:
            element.attrib.pop("id", None)
        if _LINK in element.attrib:
            element.set("href", element.attrib.pop(_LINK))
        if element.get("transform", "").startswith("rotate(-0 "):
            del element.attrib["transform"]
        for key, value in list(element.attrib.items()):
            if key == "d":
                element.set(key, short_path(value))
            elif key in ("x", "y", "width", "height", "transform"):
                short = _NUMBER.sub(lambda found: f"{float(found[0]):.2f}".rstrip("0").rstrip("."), value)
                element.set(key, short)
            elif key == "style" and element is not root:
                parts = (part.strip() for part in value.split(";"))
                kept = (
                    part for part in parts if part not in _WORTHLESS and not part.startswith("font-family")
                )
                element.set(key, ";".join(part.replace(": ", ":") for part in kept))
    return _written(root)


def _written(root: ET.Element) -> str:
    """Return an SVG's text with its own namespace as the plain one, whichever process writes it."""
    ET.register_namespace("", _SVG.strip("{}"))
    return ET.tostring(root, encoding="unicode")


def short_path(path: str) -> str:
    """Return an SVG path with coordinates to a tenth of a point, lines written as steps.

    Steps are differences of the rounded coordinates, so rounding never adds up along the line.
    """
    out, here = [], (0, 0)
    for command, text in _STEP.findall(path):
        points = [round(10 * float(number)) for number in text.split()]
        if command == "L":
            out.append(f"l{_tenth(points[0] - here[0])} {_tenth(points[1] - here[1])}")
        else:
            out.append(command + " ".join(map(_tenth, points)))
        here = (points[-2], points[-1]) if points else here
    return _RESTING.sub("", "".join(out))


def _tenth(value: int) -> str:
    return f"{value / 10:g}"


def recoloured(svg: str, colours: Mapping[str, str]) -> str:
    """Return an SVG with each colour replaced, all at once."""
    pattern = re.compile("|".join(map(re.escape, colours)), re.IGNORECASE)
    lower = {key.lower(): value for key, value in colours.items()}
    return pattern.sub(lambda match: lower[match[0].lower()], svg)


def with_words(svg: str, title: str, alt: str) -> str:
    """Return an SVG that stands alone: named and described for screen readers."""
    root = ET.fromstring(svg)
    root.set("role", "img")
    for place, (tag, text) in enumerate((("title", title), ("desc", alt))):
        words = ET.Element(f"{_SVG}{tag}")
        words.text = text
        root.insert(place, words)
    return '<?xml version="1.0" encoding="utf-8"?>\n' + _written(root)
