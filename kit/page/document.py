"""A whole HTML page: one file, no script, no network, contents from its headings; its figures, colours and cautions.

A drawn figure is an image wherever a notebook is read, a part of the page itself where the kit sets the page.  As an
image it needs no style sheet, and survives the cleaning of notebooks that are not trusted; inside the page its colours
follow light, dark and print, and its text can be read out, searched and copied.

The colours of fuels are those of figures too; the cautions for people who burn charcoal are data with an edition, for
reports, plans, sheets and the README.
"""

import base64
import json
import re
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from html import unescape
from typing import Any, Final
from xml.etree import ElementTree

from kit.data_file import data_file, data_text
from kit.page.text import Html, anchor, element, escape, join

POLICY: Final = (
    "default-src 'none'; style-src 'unsafe-inline'; img-src data:; base-uri 'none'; form-action 'none'"
)
"""Content-Security-Policy of every page: no script, no network."""
_HEADING: Final = re.compile(r"<h([1-4])\b([^>]*)>(.*?)</h\1>", re.DOTALL)
_HEADING_ID: Final = re.compile(r'\bid="([^"]*)"')
_TAG: Final = re.compile(r"<[^>]*>")

_COLOURS: Final = data_file(__file__, "colours.toml")

LIGHT, DARK = (_COLOURS[ground]["page"] for ground in ("light", "dark"))
FUELS_LIGHT, FUELS_DARK = (tuple(_COLOURS[ground]["fuels"]) for ground in ("light", "dark"))

MARKERS: Final = ("o", "s", "^", "D", "v", "P", "X", "h")
"""A mark for each fuel, so that fuels are told apart without colour."""

KIND_LINES: Final = ("solid", (0, (6, 2)), (0, (1.5, 1.5)), (0, (7, 2, 1.5, 2)))
"""A line style for each kind, as matplotlib takes it."""


@dataclass(frozen=True)
class Heading:
    """A heading of a page: its level, the id it can be reached by, and its text."""

    level: int
    id: str
    text: str


def headings_of(body: str) -> list[Heading]:
    """Return the headings of a piece of HTML, in order."""
    found = []
    for level, attributes, inner in _HEADING.findall(body):
        text = " ".join(unescape(_TAG.sub("", inner)).split())
        found.append(Heading(int(level), "".join(_HEADING_ID.findall(attributes)[:1]), text))
    return found


def chapters_of(body: str) -> list[list[Heading]]:
    """Return each heading of level 2 with those of level 3 below it, as contents list them; none below three."""
    chapters: list[list[Heading]] = []
    listed = [each for each in headings_of(body) if each.level in (2, 3) and each.id]
    for each in listed if len(listed) > 2 else ():
        if each.level == 2 or not chapters:
            chapters.append([])
        chapters[-1].append(each)
    return chapters


def escaping_template(text: str, **known: object) -> Any:
    """Return a Jinja template in which every text that is no markup is escaped, and no name may be missing."""
    from jinja2 import Environment, StrictUndefined

    def shown(value: object) -> object:
        return value if hasattr(value, "__html__") else escape(value)

    pages = Environment(
        autoescape=True, undefined=StrictUndefined, finalize=shown, keep_trailing_newline=True
    )
    return pages.from_string(text, globals=known)


@cache
def _template() -> Any:
    return escaping_template(data_text(__file__, "page.html"))


def document(
    title: str, body: Html, *, strip: object = "", footer: object = "", contents: bool = True
) -> str:
    """Return a whole page.

    Parameters
    ----------
    title
        Of the window; also the page's one h1.
    body
        Sections whose headings start at h2 and carry ids.
    strip
        A line above the heading: what kind of page, date, folder.
    """
    parts = {"title": title, "body": body, "strip": strip, "footer": footer, "policy": POLICY}
    listed = chapters_of(body) if contents else []
    page: str = _template().render(**parts, chapters=listed, style=Html(stylesheet()))
    return page


@cache
def stylesheet() -> str:
    """Return the style sheet of every page: light, dark and print, from 320 px up."""
    rules = data_text(__file__, "style.css")
    light, dark = _variables(LIGHT, FUELS_LIGHT), _variables(DARK, FUELS_DARK)
    # what is not of the fuel or kind chosen in a figure fades
    groups = [*(f"fuel-{place}" for place in range(1, 13)), *(f"kind-{place}" for place in range(1, 7))]
    faded = ",".join(f'figure:has(input[value="{group}"]:checked) .pick:not(.{group})' for group in groups)
    keys = "".join(f".key.fuel-{place}{{background:var(--fuel-{place})}}" for place in range(1, 9))
    return (
        f":root{{color-scheme:light dark;{light}}}\n"
        f"@media screen and (prefers-color-scheme:dark){{:root{{{dark}}}}}\n"
        f"{rules}@media screen{{{faded}{{opacity:.09}}}}\n{keys}\n"
    )


def _variables(names: dict[str, str], fuels: tuple[str, ...]) -> str:
    own = "".join(f"--{name}:{value};" for name, value in names.items())
    return own + "".join(f"--fuel-{place}:{value};" for place, value in enumerate(fuels, 1))


_DROPPED: Final = re.compile(r"\A.*?(?=<svg\b)|<!--.*?-->|<(metadata|style)\b.*?</\1>", re.DOTALL)
_ID: Final = re.compile(r'(\bid="|url\(#|\bhref="#)')
_OWN: Final = re.compile(r'\s(?:role|aria-[a-z]+|width|height|style)="[^"]*"')
_BOX: Final = re.compile(r'viewBox="[-\d.]+ [-\d.]+ ([\d.]+) ([\d.]+)"')
_VARIABLES: Final = {
    **{LIGHT[name]: f"var(--{name})" for name in DARK},
    **{colour: f"var(--fuel-{place})" for place, colour in enumerate(FUELS_LIGHT, 1)},
}
_COLOUR: Final = re.compile("|".join(map(re.escape, _VARIABLES)), re.IGNORECASE)
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
        As matplotlib writes it, drawn in the light colours on paper of its own, so that it can be read on any ground.
         Text from a run folder goes through `visible` first.
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
    box = _BOX.search(opening)
    # matplotlib draws in points; a CSS pixel is 3/4 of one
    size = f' width="{float(box[1]) * 4 / 3:.0f}" height="{float(box[2]) * 4 / 3:.0f}"' if box else ""
    names = f'<title id="{key}-title">{escape(title)}</title><desc id="{key}-desc">{escape(alt)}</desc>'
    return (
        f'{_OWN.sub("", opening)} role="img" aria-labelledby="{key}-title {key}-desc"{size}'
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
    return _COLOUR.sub(lambda found: _VARIABLES[found[0].lower()], _ID.sub(rf"\g<1>{key}-", tag))


@dataclass(frozen=True)
class Caution:
    """One caution: a key, what it is about, the whole of it, and a line for a burn sheet ('' for none)."""

    key: str
    about: str
    text: str
    short: str = ""


_WRITTEN: Final = data_file(__file__, "cautions.toml")
EDITION: Final[str] = _WRITTEN["edition"]
CAUTIONS: Final = tuple(Caution(**each) for each in _WRITTEN["caution"])


def cautions_html() -> Html:
    """Return all cautions as a section with its heading, edition named."""
    heading = element("h2", "Cautions", id="cautions")
    return element("section", heading, cautions_list(), aria_labelledby="cautions")


def cautions_list() -> Html:
    """Return all cautions as a numbered list, edition named."""
    items = (
        element("li", element("strong", f"{each.about}. "), each.text, id=f"caution-{each.key}")
        for each in CAUTIONS
    )
    return join([element("ol", *items, class_="cautions"), element("p", f"{EDITION}.", class_="label")])


def cautions_markdown() -> str:
    """Return all cautions as Markdown, edition named."""
    items = "\n".join(f"{place}. **{each.about}.** {each.text}" for place, each in enumerate(CAUTIONS, 1))
    return f"## Cautions\n\n{items}\n\n{EDITION}.\n"


def cautions_short() -> tuple[str, ...]:
    """Return the lines for a burn sheet, one a caution that has one."""
    return tuple(each.short for each in CAUTIONS if each.short)
