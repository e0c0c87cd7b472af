"""A whole HTML page: one file, no script, no network, contents from its own headings; its colours and its cautions.

The colours of fuels are those of figures too; the cautions for people who burn charcoal are data with an edition, for
reports, plans, sheets and the README.
"""

import re
from dataclasses import dataclass
from functools import cache
from html import unescape
from typing import Any, Final

from kit.data_file import data_file, data_text
from kit.page.text import Html, element, escape, join

POLICY: Final = (
    "default-src 'none'; style-src 'unsafe-inline'; img-src data:; base-uri 'none'; form-action 'none'"
)
"""Content-Security-Policy of every page: no script, no network."""
_HEADING: Final = re.compile(r"<h([1-4])\b([^>]*)>(.*?)</h\1>", re.DOTALL)
_ID: Final = re.compile(r'\bid="([^"]*)"')
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
        found.append(Heading(int(level), "".join(_ID.findall(attributes)[:1]), text))
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
