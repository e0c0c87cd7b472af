"""A matplotlib figure as a small, reproducible SVG whose text stays text; light colours turned to dark ones."""

from __future__ import annotations

import io
import re
import warnings
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any
from xml.etree import ElementTree as ET

if TYPE_CHECKING:
    from matplotlib.figure import Figure

_RC: Mapping[Any, Any] = {
    "svg.fonttype": "none",
    "svg.hashsalt": "repeatburn",
    "text.parse_math": False,
    "path.simplify": False,
    "font.family": "sans-serif",
    "font.sans-serif": ["DejaVu Sans"],
    "axes.unicode_minus": True,
}


@contextmanager
def drawing_settings() -> Iterator[None]:
    """Settings under which every figure of the kit is made and saved: no maths in names, the same bytes each time.

    Of a sign that the font of pictures lacks nothing is said: it is a box there, and itself on the page.
    """
    import matplotlib

    with matplotlib.rc_context(dict(_RC)), warnings.catch_warnings():
        warnings.filterwarnings("ignore", message="Glyph .* missing from font")
        yield


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
    with drawing_settings():
        figure.savefig(drawn, format="svg", metadata={"Date": None, "Creator": None})
    root = ET.fromstring(drawn.getvalue())
    for child in list(root):
        if child.tag == f"{_SVG}metadata" or child.findall(f"{_SVG}style"):
            root.remove(child)
    root.set("font-family", FONTS)
    root.set("style", "stroke-linejoin:round")
    used = _referenced(root)
    for element in root.iter():
        _tidy(element, used)
    return _written(root)


def _written(root: ET.Element) -> str:
    """Return an SVG's text with its own namespace as the plain one, whichever process writes it."""
    ET.register_namespace("", _SVG.strip("{}"))
    return ET.tostring(root, encoding="unicode")


def _referenced(root: ET.Element) -> set[str]:
    used = set()
    for element in root.iter():
        used.add(element.get(_LINK, "").lstrip("#"))
        used.add(element.get("clip-path", "").removeprefix("url(#").removesuffix(")"))
    return used - {""}


def _tidy(element: ET.Element, used: set[str]) -> None:
    element.tail = None
    if element.text is not None and not element.text.strip():
        element.text = None
    if element.get("id", "").startswith("pick "):
        element.set("class", element.attrib.pop("id"))
    elif element.get("id") not in used:
        element.attrib.pop("id", None)
    if _LINK in element.attrib:
        element.set("href", element.attrib.pop(_LINK))
    _tidy_attributes(element)


def _tidy_attributes(element: ET.Element) -> None:
    if element.get("transform", "").startswith("rotate(-0 "):
        del element.attrib["transform"]
    for key, value in list(element.attrib.items()):
        if key == "d":
            element.set(key, short_path(value))
        elif key in ("x", "y", "width", "height", "transform"):
            element.set(
                key, _NUMBER.sub(lambda found: f"{float(found[0]):.2f}".rstrip("0").rstrip("."), value)
            )
        elif key == "style" and element.tag != f"{_SVG}svg":
            parts = (part.strip() for part in value.split(";"))
            kept = (part for part in parts if part not in _WORTHLESS and not part.startswith("font-family"))
            element.set(key, ";".join(part.replace(": ", ":") for part in kept))


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
