"""Text: what comes from a run folder made safe for HTML, Markdown and spreadsheets; sentences with {parts}.

A sentence is said where it holds, its parts filled in, counts and lists in words.
"""

from __future__ import annotations

import hashlib
import html
import math
import re
import unicodedata
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from string import Formatter
from typing import Any, Final
from urllib.parse import urlsplit

from kit.page.shown_numbers import plain

_PICTURES: Final = {code: chr(0x2400 + code) for code in range(0x20) if chr(code) not in "\n\t"} | {
    0x7F: "\u2421"
}
_KEPT_FORMATS: Final = frozenset("\u200c\u200d\u00ad")  # joiners make emoji and scripts what they are
_VOID: Final = frozenset({"br", "col", "hr", "img", "input", "link", "meta", "wbr"})
_NAME: Final = re.compile(r"[a-z][a-z0-9-]*")
_MARKDOWN: Final = re.compile(r"([\\`*\[\]<>|~$&@]|(?<![^\W_])_|_(?![^\W_])|:(?=//))")
_STARTS_A_BLOCK: Final = re.compile(r"^(?:[#+=-]|(\d+)([.)])(?=\s|$))")
_FORMULA_STARTS: Final = "=+-@\t\r\n|%"
_NUMBER: Final = re.compile(r"[+-]?(\d+(\.\d*)?|\.\d+)([eE][+-]?\d+)?")
_PLAIN_WORDS: Final = re.compile(r"[a-z][a-z0-9]*(?: [a-z0-9]+)*")
_LONGEST_ID: Final = 48
_MARK: Final = 8  # hexadecimal digits of a hash
_MARKED: Final = re.compile(rf"(?:^| )[0-9a-f]{{{_MARK}}}$")


class Html(str):
    """Markup that was made by the kit and may stand in a page as it is.

    Everything else is text: `element` and `join` escape it.  In a notebook it shows itself.
    """

    __slots__ = ()

    def __html__(self) -> str:
        return str(self)

    def _repr_html_(self) -> str:
        return str(self)

    def __repr__(self) -> str:
        return f"<Html of {len(self)} characters>"


_LINK: Final = re.compile(r"\]\(([^)#]+)#?([^)]*)\)")


def leading_there(markdown: str, pages: Mapping[str, str]) -> str:
    """Return Markdown without the lines that link to a page, or to a place of one, that is not there.

    Parameters
    ----------
    pages
        The HTML of each file by its name; '' of what has no places.
    """

    def there(line: str) -> bool:
        links = _LINK.findall(line)
        return all(page in pages and (not place or f'id="{place}"' in pages[page]) for page, place in links)

    return "".join(line for line in markdown.splitlines(keepends=True) if there(line))


def visible(text: object) -> str:
    """Return text in which nothing hides: control characters, direction overrides, half characters show."""
    return "".join(map(_shown, str(text)))


@cache
def _shown(character: str) -> str:
    code = ord(character)
    if code in _PICTURES:
        return _PICTURES[code]
    if 0xE0020 <= code <= 0xE007F:  # the tags that spell a flag emoji
        return character
    category = unicodedata.category(character)
    if (
        category in ("Cc", "Cf", "Cs", "Zl", "Zp")
        and character not in _KEPT_FORMATS
        and character not in "\n\t"
    ):
        return f"\u2039U+{code:04X}\u203a"
    return "\ufffd" if code & 0xFFFE == 0xFFFE else character


def escape(text: object) -> Html:
    """Return any text as markup that shows just that text, in content and in attributes alike."""
    return text if isinstance(text, Html) else Html(html.escape(visible(text), quote=True))


def isolate(text: object) -> Html:
    """Return text in an element of its own direction, so that right-to-left names leave a line in order."""
    return text if isinstance(text, Html) else element("bdi", text)


def join(parts: Iterable[object], between: str = "") -> Html:
    """Return the parts one after another, text among them escaped."""
    return Html(escape(between).join(map(escape, parts)))


def element(tag: str, *children: object, **attributes: object) -> Html:
    """Return an element; text among the children and every attribute's value is escaped.

    Parameters
    ----------
    tag
        A lower-case name.
    children
        Html, or anything else as text; None is left out.
    attributes
        `class_`, `aria_label` and so on: underscores become hyphens, a last one is dropped; None is left out,
        True stands alone.

    Raises
    ------
    ValueError
        At a name that is no plain name, an event attribute, or an address that could run a script.
    """
    if not _NAME.fullmatch(tag) or tag in ("script", "iframe", "object", "embed"):
        raise ValueError(f"no element of pages: {tag!r}")
    opening = f"<{tag}{''.join(_attribute(*pair) for pair in attributes.items())}>"
    if tag in _VOID:
        return Html(opening)
    return Html(f"{opening}{join(child for child in children if child is not None)}</{tag}>")


def _attribute(key: str, value: object) -> str:
    name = key.rstrip("_").replace("_", "-")
    if not _NAME.fullmatch(name) or name.startswith("on"):
        raise ValueError(f"no attribute of pages: {key!r}")
    if value is None or value is False:
        return ""
    text = str(value)
    leads = name in ("href", "src") and not text.startswith("data:image/")
    if leads and urlsplit(text.strip()).scheme not in ("", "https", "http", "mailto"):
        raise ValueError(f"no address for a page: {value!r}")
    return f" {name}" if value is True else f' {name}="{escape(text)}"'


def anchor(*parts: object) -> str:
    """Return an id for use in a page or a file's name: readable, the same each time, apart wherever the texts differ.

    Short lower-case words of ASCII letters and digits stand as they are, joined by hyphens; whatever is lost on the
    way to that (capitals, hyphens of the text's own, other scripts, length) leaves a mark of the whole text.  Two
    ids never differ in capitals alone, since some disks take such names for one.
    """
    text = " ".join(map(str, parts))
    if _PLAIN_WORDS.fullmatch(text) and len(text) <= _LONGEST_ID and not _MARKED.search(text):
        return text.replace(" ", "-")
    plain = unicodedata.normalize("NFKD", text).encode("ascii", "ignore").decode().lower()
    words = re.sub(r"[^a-z0-9]+", "-", plain).strip("-")[:_LONGEST_ID].strip("-")
    mark = hashlib.sha256(text.encode("utf-8", "surrogatepass")).hexdigest()[:_MARK]
    return f"{words if words[:1].isalpha() else 'x'}-{mark}"


def escape_markdown(text: object) -> str:
    """Return text on one line that Markdown shows as it is, HTML in it included, and that reads well unrendered.

    Only what would be taken for markup is escaped: brackets, hyphens and points within a line stand as they are.
    """
    flat = " ".join(visible(text).split())
    named = {"<": "&lt;", ">": "&gt;", "&": "&amp;"}
    safe = _MARKDOWN.sub(lambda sign: named.get(sign[0], f"\\{sign[0]}"), flat)
    return _STARTS_A_BLOCK.sub(lambda start: f"{start[1]}\\{start[2]}" if start[1] else f"\\{start[0]}", safe)


def spreadsheet_safe(text: object) -> str:
    """Return a cell's text that no spreadsheet takes for a formula.

    A leading apostrophe is put before the characters that start one; NUL and other controls are made visible.
    """
    shown = visible(text)
    starts_one = shown.lstrip(" ")[:1] in tuple(_FORMULA_STARTS) and not _NUMBER.fullmatch(shown)
    return f"'{shown}" if starts_one else shown


def markdown_html(text: str) -> Html:
    """Return Markdown as HTML below a section's headings: HTML in it shows as text, pictures as their words.

    Links lead to http, https and mailto addresses alone; every heading is one of the third, so that the page's own
    stay apart.
    """
    import mistune

    class Renderer(mistune.HTMLRenderer):
        def heading(self, text: str, level: int, **attrs: Any) -> str:
            return f"<h3>{text}</h3>\n"

        def table(self, text: str) -> str:
            caption = "<caption>A table of the tester's own</caption>"
            box = 'class="scroll" role="region" tabindex="0" aria-label="Table"'
            return f"<div {box}><table>{caption}{text}</table></div>"

        def table_cell(self, text: str, align: str | None = None, head: bool = False) -> str:
            return f'<th scope="col">{text}</th>' if head else f"<td>{text}</td>"

        def image(self, text: str, url: str, title: str | None = None) -> str:
            return f"[{text}]" if text else ""

        def link(self, text: str, url: str, title: str | None = None) -> str:
            kept = url.lower().startswith(("http://", "https://", "mailto:"))
            return super().link(text, url) if kept else text

    shown: Any = mistune.create_markdown(renderer=Renderer(escape=True), plugins=["table", "strikethrough"])
    return Html(shown(visible(text)))


NUMBERS: Final = (
    "no", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine", "ten", "eleven", "twelve",
)  # fmt: skip


Template = str | Sequence[str | Mapping[str, Any]]
"""A sentence with {parts}, or several; of { if = part, say = …, else = … } one is said where that part holds."""


def told_each(template: Template, parts: Mapping[str, object]) -> list[str]:
    """Return the sentences of a template that are there, their parts filled in.

    What is not among the parts is an attribute of the part `data`. {Part} begins with a capital, {part.name} is what it
    has of that name, {list} and {list:or} join what it holds, {number:1} has so many decimals, and {n:burn}, {n:is/are}
    and {n:in words} tell how many it is or holds. A number that is none does not hold.
    """
    known, said = Parts(parts), []
    for one in [template] if isinstance(template, str) else template:
        while not isinstance(one, str):
            holds = Formatter().get_field(one["if"], (), known)[0]
            one = one["say"] if holds else one.get("else", "")
        said.append(one.format_map(known))
    return list(filter(None, said))


class Parts(dict[str, Any]):
    """Parts of a sentence by name, ready to be told."""

    def __getitem__(self, name: str) -> _Part:
        own = name[:1].lower() + name[1:]
        return _Part(self.get(own) if own in self else getattr(super().__getitem__("data"), own), own != name)


@dataclass(frozen=True)
class _Part:
    """A part of a sentence, and whether it begins with a capital."""

    value: Any
    begins: bool

    def __bool__(self) -> bool:
        return bool(self.value) and not (isinstance(self.value, float) and math.isnan(self.value))

    def __getattr__(self, name: str) -> _Part:
        return _Part(getattr(self.value, name), self.begins)

    def __getitem__(self, key: str | int) -> _Part:
        return _Part(self.value[key], self.begins)

    def __format__(self, how: str) -> str:
        text = self._told(how)
        return capital(text) if self.begins else text

    def _told(self, how: str) -> str:
        if isinstance(self.value, list | tuple) and how in ("", "or"):
            return listed(self.value, how or "and")
        if how.isdigit():
            return plain(self.value, int(how))
        if not how or isinstance(self.value, str) or how.startswith("."):
            return format(self.value, how)
        count = len(self.value) if hasattr(self.value, "__len__") else int(self.value)
        if "/" in how:
            return how.split("/")[count != 1]
        return number_word(count) if how == "in words" else counted(count, how)


def told(template: Template, parts: Mapping[str, object]) -> str:
    """Return the same as one text."""
    return " ".join(told_each(template, parts))


def filled(template: Any, parts: Mapping[str, object]) -> Any:
    """Return what stands in words.toml with its parts filled in; a text that is one part alone becomes that part."""
    if isinstance(template, dict):
        return {key: filled(each, parts) for key, each in template.items()}
    if isinstance(template, list):
        return [filled(each, parts) for each in template]
    alone = re.fullmatch(r"\{(\w+)\}", template)
    return parts[alone[1]] if alone else template.format(**parts)


def capital(text: str) -> str:
    """Return text whose first letter is a capital."""
    return text[:1].upper() + text[1:]


def number_word(count: int) -> str:
    """Return a count as a word up to twelve."""
    return NUMBERS[count] if 0 <= count < len(NUMBERS) else str(count)


def counted(count: int, one: str) -> str:
    """Return 'one burn', 'six burns', '36 burns'."""
    return f"{number_word(count)} {one}{'s' * (count != 1)}"


def listed(words: Sequence[str], last: str = "and") -> str:
    """Return 'a', 'a and b', 'a, b and c'."""
    return f"{', '.join(words[:-1])} {last} {words[-1]}" if len(words) > 1 else "".join(words)
