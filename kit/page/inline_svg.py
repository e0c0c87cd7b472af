"""A drawn figure: an image wherever a notebook is read, a part of the page itself where the kit sets the page.

As an image it needs no style sheet, and survives the cleaning of notebooks that are not trusted; inside the page its
colours follow light, dark and print, and its text can be read out, searched and copied.
"""

import base64
import json
import re
from collections.abc import Sequence
from html import unescape
from typing import Final
from xml.etree import ElementTree

from kit.page.document import DARK, FUELS_LIGHT, LIGHT
from kit.page.text import Html, anchor, element, escape

_DROPPED: Final = re.compile(r"\A.*?(?=<svg\b)|<!--.*?-->|<(metadata|style)\b.*?</\1>", re.DOTALL)
_TAG: Final = re.compile(r"<[^>]*>")
_ID: Final = re.compile(r'(\bid="|url\(#|\bhref="#)')
_OWN: Final = re.compile(r'\s(?:role|aria-[a-z]+|width|height|style)="[^"]*"')
_BOX: Final = re.compile(r'viewBox="[-\d.]+ [-\d.]+ ([\d.]+) ([\d.]+)"')
_COLOURS: Final = {
    **{LIGHT[name]: f"var(--{name})" for name in DARK},
    **{colour: f"var(--fuel-{place})" for place, colour in enumerate(FUELS_LIGHT, 1)},
}
_COLOUR: Final = re.compile("|".join(map(re.escape, _COLOURS)), re.IGNORECASE)
_SVG_DATA: Final = "data:image/svg+xml;base64,"
_FIGURE: Final = re.compile(
    r'<figure id="(?P<id>[^"]*)"><img alt="(?P<alt>[^"]*)" title="(?P<title>[^"]*)"'
    r'(?: data-choices="(?P<choices>[^"]*)")?'
    rf'(?: data-narrow="{re.escape(_SVG_DATA)}(?P<narrow>[A-Za-z0-9+/=]*)")?'
    rf' src="{re.escape(_SVG_DATA)}(?P<data>[A-Za-z0-9+/=]*)">'
)
_LIVE: Final = frozenset({"script", "foreignobject", "iframe", "animate", "set", "handler"})


def figure(
    svg: str,
    *,
    alt: str,
    title: str,
    caption: object,
    key: str,
    choices: Sequence[tuple[str, str]] = (),
    narrow: str = "",
) -> Html:
    """Return a figure of a drawn SVG, as an image.

    Parameters
    ----------
    svg
        As matplotlib writes it, drawn in the light colours of `kit.page.document` on paper of its own, so that it can
        be read on any ground.  Text from a run folder goes through `visible` first.
    alt
        What the figure shows, in words, for those who cannot see it.
    title
        Its short name.
    caption
        Below it: what bars and bands are, over what, and n.
    key
        Unique in the page (a claim's or figure's id).
    choices
        What a reader of the page can choose to see alone, without script: the class of a group of the drawing, and its
        label.
    narrow
        The same drawn for a phone's width, which takes its place in a page that is so narrow; '' where there is none.

    Raises
    ------
    ValueError
        Where a drawing is no SVG or carries anything live.
    """
    source, phone = (_as_source(drawn) if drawn else None for drawn in (svg, narrow))
    listed = json.dumps(list(choices)) if choices else None
    image = element("img", alt=alt, title=title, data_choices=listed, data_narrow=phone, src=source)
    return element("figure", image, element("figcaption", caption), id=anchor(key))


def _as_source(svg: str) -> str:
    _refuse_live(svg)
    return _SVG_DATA + base64.b64encode(svg.encode()).decode("ascii")


def inlined(body: str) -> Html:
    """Return a page's body with the images of `figure` as drawings of the page itself.

    Each becomes an inline SVG with title and description, ids led by its figure's, and the page's own variables in
    place of the light colours, so that it follows dark pages.

    Raises
    ------
    ValueError
        Where one carries anything live.
    """
    return Html(_FIGURE.sub(_drawing, body))


def _drawing(found: re.Match[str]) -> str:
    alt, title, key = unescape(found["alt"]), unescape(found["title"]), found["id"]

    def box(data: str, key: str, look: str) -> Html:
        svg = base64.b64decode(data).decode()
        inline = Html(inline_svg(svg, alt=alt, title=title, key=key))
        return element("div", inline, class_=look, role="group", aria_label=title, tabindex=0)

    phone = box(found["narrow"], f"{key}-narrow", "drawing narrow") if found["narrow"] else ""
    chosen = _chooser(key, json.loads(unescape(found["choices"]))) if found["choices"] else ""
    return f'<figure id="{key}">{chosen}{box(found["data"], key, "drawing")}{phone}'


def _chooser(key: str, choices: Sequence[tuple[str, str]]) -> Html:
    """Return buttons of which one is pressed; the style sheet fades what is not of the chosen group."""
    buttons = [
        element(
            "label",
            element("input", type="radio", name=f"{key}-choice", value=group, checked=group == "all"),
            element("span", label),
        )
        for group, label in (("all", "all"), *choices)
    ]
    return element("fieldset", element("legend", "Show"), *buttons, class_="chooser")


def inline_svg(svg: str, *, alt: str, title: str, key: str) -> str:
    """Return an SVG for use inside HTML: ids of its own, title and description, colours as variables.

    Raises
    ------
    ValueError
        Where the drawing is no SVG or carries anything live.
    """
    _refuse_live(svg)
    bare = _TAG.sub(lambda tag: _in_page(tag[0], key), _DROPPED.sub("", svg))
    opening, _, rest = bare.partition(">")
    names = f'<title id="{key}-title">{escape(title)}</title><desc id="{key}-desc">{escape(alt)}</desc>'
    return (
        f'{_OWN.sub("", opening)} role="img" aria-labelledby="{key}-title {key}-desc"{_size(opening)}'
        f' style="stroke-linejoin:round;stroke-linecap:butt">{names}{rest.rstrip()}'
    )


def _refuse_live(svg: str) -> None:
    try:
        root = ElementTree.fromstring(svg)
    except (ElementTree.ParseError, ValueError) as error:
        raise ValueError(f"not a drawing: {error}") from error
    for each in root.iter():
        name = str(each.tag).rpartition("}")[2].lower()
        handlers = [key for key in each.attrib if key.rpartition("}")[2].lower().startswith("on")]
        links = [
            v for k, v in each.attrib.items() if k.endswith("href") and not v.startswith(("#", "data:image/"))
        ]
        if name in _LIVE or handlers or links:
            raise ValueError(f"a drawing that may not stand in a page: {name} {handlers or links}")


def _in_page(tag: str, key: str) -> str:
    """Give one tag ids of its own and the page's colours; text between tags stays as it is."""
    return _COLOUR.sub(lambda found: _COLOURS[found[0].lower()], _ID.sub(rf"\g<1>{key}-", tag))


def _size(opening: str) -> str:
    found = _BOX.search(opening)
    # matplotlib draws in points; a CSS pixel is 3/4 of one
    return f' width="{float(found[1]) * 4 / 3:.0f}" height="{float(found[2]) * 4 / 3:.0f}"' if found else ""
