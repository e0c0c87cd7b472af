"""How figures look, and the empty figure: colours for light and dark, page and film, axes, labels that keep clear."""

from __future__ import annotations

import warnings
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any, Literal, TypeAlias

import numpy as np

from kit.page.document import DARK, FUELS_DARK, FUELS_LIGHT, KIND_LINES, LIGHT, MARKERS

if TYPE_CHECKING:
    import matplotlib.axes
    import matplotlib.figure

# matplotlib is imported where something is drawn, and its types are named here for all that draw
Axes: TypeAlias = "matplotlib.axes.Axes"
Figure: TypeAlias = "matplotlib.figure.Figure"

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


KNOWN_KINDS = ("lump", "briquette")
"""Types whose line is the same in every trial, solid and dashed."""
LONGEST = 26
LONGEST_FOOT = 66


ROLES = ("paper", "ink", "soft", "line", "mark", "band", "warn")


def light_to_dark() -> Mapping[str, str]:
    """Return light colour to dark colour, for turning a drawing's text."""
    roles = {LIGHT[role]: DARK[role] for role in ROLES}
    return roles | dict(zip(FUELS_LIGHT, FUELS_DARK, strict=True))


@dataclass(frozen=True)
class Frame:
    """What a figure is drawn for: sizes of page, phone or film, and colours by role.

    Attributes
    ----------
    width
        In inches.
    small
        Size of its type, in points.
    pen
        Width of a line, in points.
    dpi
        Dots an inch.
    paper, ink, soft, line, mark, band, warn
        As '#rrggbb': ground, text, quiet text, lines, a single mark, the margin's zone, warnings.
    """

    name: Literal["page", "phone", "film"]
    width: float
    small: float
    pen: float
    dpi: int
    paper, ink, soft, line, mark, band, warn = (LIGHT[role] for role in ROLES)

    @property
    def film(self) -> bool:
        """Whether this is the 16:9 picture for film."""
        return self.name == "film"

    def fuel(self, place: int) -> str:
        """Return the hue of the fuel at this place of the trial file."""
        return str(FUELS_LIGHT[place % len(FUELS_LIGHT)])


PAGE = Frame("page", width=8.4, small=9.0, pen=1.0, dpi=150)
PHONE = replace(PAGE, name="phone", width=3.9)
FILM = Frame("film", width=16.0, small=26.0, pen=3.0, dpi=120)


@dataclass(frozen=True)
class Axis:
    """An axis: its name with its unit, and how it turns into °F where both are shown: 'degrees', 'difference', ''."""

    name: str
    second: str = ""


@dataclass(frozen=True)
class Player:
    """One fuel as figures draw it: id, name as shown, kind, its place in the trial file and its kind's among kinds."""

    id: str
    name: str
    kind: str
    place: int
    kind_place: int

    @property
    def dash(self) -> Any:
        """The line of its kind, as matplotlib takes it."""
        return KIND_LINES[self.kind_place % len(KIND_LINES)]

    @property
    def marker(self) -> str:
        """The mark of the fuel, so that fuels are told apart without colour."""
        return MARKERS[self.place % len(MARKERS)]

    @property
    def group(self) -> str:
        """Names by which a page finds what is drawn of this fuel and of its kind."""
        return f"pick fuel-{self.place + 1} kind-{self.kind_place + 1}"


@dataclass(frozen=True)
class Cast:
    """The fuels of a trial in the order of the trial file."""

    players: tuple[Player, ...]

    def __getitem__(self, fuel: str) -> Player:
        return {player.id: player for player in self.players}[fuel]

    def __iter__(self) -> Iterator[Player]:
        return iter(self.players)

    def __len__(self) -> int:
        return len(self.players)

    def only(self, fuels: Sequence[str]) -> Cast:
        """Return the cast of these fuels alone, each with the look it has in the whole trial."""
        return Cast(tuple(player for player in self.players if player.id in set(fuels)))


def cast_of(declared: Sequence[tuple[str, str, str]], burned: Iterable[str]) -> Cast:
    """Return the cast of the fuels that were burned: those declared as (id, name, kind) first, then any others."""
    others = dict.fromkeys(burned)
    fuels = [fuel for fuel in declared if fuel[0] in others]
    fuels += [(fuel, fuel, "") for fuel in others if fuel not in {known for known, _, _ in declared}]
    # lump and briquettes look alike in every trial; other types take what these leave, in their order
    kinds = dict.fromkeys(kind for _, _, kind in fuels)
    places = {kind: place for place, kind in enumerate(KNOWN_KINDS) if kind in kinds}
    free = (place for place in range(len(kinds) + len(KNOWN_KINDS)) if place not in places.values())
    places |= {kind: next(free) for kind in kinds if kind not in places}
    named = enumerate(fuels)
    return Cast(tuple(Player(fuel, name, kind, n, places[kind]) for n, (fuel, name, kind) in named))


def short(name: str, longest: int = LONGEST) -> str:
    """Return a name cut to fit a figure, without control characters."""
    clean = " ".join("".join(sign if sign.isprintable() else " " for sign in name).split())
    return clean if len(clean) <= longest else clean[: longest - 1].rstrip() + "…"


def canvas(
    frame: Frame,
    height: float,
    rows: int = 1,
    columns: int = 1,
    share: tuple[bool, bool] = (False, False),
    margins: tuple[float, float, float, float] = (0.9, 0.25, 0.5, 0.3),
) -> tuple[Figure, list[Axes]]:
    """Return a figure and its axes, row by row.

    Parameters
    ----------
    frame
        Colours, and page or film.
    height
        Height in inches on the page; film is always 16:9.
    rows, columns, share
        The grid of axes, and whether they share x and y.
    margins
        Left, right, bottom and top in inches on the page; scaled with the type for film.
    """
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    size = frame.width, frame.width * 9 / 16 if frame.film else height
    with drawing_settings():
        figure = Figure(figsize=size, facecolor=frame.paper, dpi=frame.dpi)
        FigureCanvasAgg(figure)
        grid = figure.subplots(rows, columns, squeeze=False, sharex=share[0], sharey=share[1])
        axes = [each for row in grid for each in row]
        for each in axes:
            each.set_facecolor("none")
            each.patch.set_visible(False)
            _thin(each, ("left", "bottom"), frame)
            for axis in (each.xaxis, each.yaxis):
                axis.label.set(color=frame.soft, fontsize=frame.small)
    scale = frame.small / PAGE.small if frame.film else 1.0
    left, right, bottom, top = (scale * each for each in margins)
    if frame.film:
        bottom, top = bottom + 0.8, max(top - 0.6, 0.0) + 1.35
    wide, high = figure.get_size_inches()
    figure.subplots_adjust(left=left / wide, right=1 - right / wide, bottom=bottom / high, top=1 - top / high)
    return figure, axes


def room_for(texts: Iterable[str], longest: int = LONGEST) -> float:
    """Return the inches that the longest of these texts takes on the page, in small type."""
    signs = max((len(short(line, longest)) for text in texts for line in text.split("\n")), default=0)
    return 0.2 + signs * 0.0755


def _thin(axes: Any, sides: Sequence[str], frame: Frame) -> None:
    """Leave an axis a thin line on these sides, with quiet ticks."""
    for side, spine in axes.spines.items():
        spine.set(visible=side in sides, color=frame.line, linewidth=frame.pen)
    size = frame.small
    axes.tick_params(colors=frame.soft, labelsize=size, length=size / 3, width=frame.pen * 0.8)


def name_axis(axes: Axes, which: Literal["x", "y"], axis: Axis, frame: Frame) -> None:
    """Name an axis, and give it a second scale in °F on the other side where both systems are shown."""
    own = axes.xaxis if which == "x" else axes.yaxis
    own.set_label_text(axis.name)
    if not axis.second:
        return
    add = 32.0 if axis.second == "degrees" else 0.0
    turns = (lambda celsius: 1.8 * celsius + add, lambda fahrenheit: (fahrenheit - add) / 1.8)
    side = "top" if which == "x" else "right"
    second: Any = getattr(axes, f"secondary_{which}axis")(side, functions=turns)
    _thin(second, (side,), frame)
    getattr(second, f"set_{which}label")("°F", color=frame.soft, fontsize=frame.small)


def room_for_axis(axis: Axis) -> float:
    """Return the inches that a second scale of an axis takes on the page."""
    return 0.42 if axis.second else 0.0


def fewer_ticks(axes: Axes, frame: Frame, x: int | None = None, y: int | None = None) -> None:
    """Limit the number of ticks, more so for film."""
    from matplotlib.ticker import MaxNLocator

    for axis, number in ((axes.xaxis, x), (axes.yaxis, y)):
        if number:
            wanted = max(2, number // 2) if frame.film else number
            axis.set_major_locator(MaxNLocator(nbins=wanted, steps=[1, 2, 2.5, 5, 10]))


def word(axes: Axes, x: float, y: float, text: str, frame: Frame, nudge: float = 0.0, **how: Any) -> None:
    """Write a text at data coordinates, plain text whatever it holds, nudged aside by so many points."""
    style: dict[str, Any] = {"color": frame.ink, "fontsize": frame.small, "va": "center", "ha": "left"} | how
    axes.annotate(
        text, (x, y), xytext=(nudge, 0), textcoords="offset points", annotation_clip=False, parse_math=False,
        **style,
    )  # fmt: skip


@dataclass(frozen=True)
class RowLayout:
    """How a figure of rows is laid out, in inches on the page: room above all, for a row and at the right."""

    above: float = 0.75
    row: float = 0.28
    right: float = 0.35
    longest: int = LONGEST


def rows_canvas(
    labels: Sequence[str], axis: Axis, frame: Frame, layout: RowLayout = RowLayout()
) -> tuple[Figure, Axes]:
    """Return a figure with a row per label, the first at the top, named at the left, and its axis below."""
    margins = (room_for(labels, layout.longest), layout.right, 0.5, 0.15 + room_for_axis(axis))
    height = layout.above + layout.row * max(len(labels), 2) + room_for_axis(axis)
    figure, (axes,) = canvas(frame, height, margins=margins)
    axes.set_ylim(len(labels) - 0.45, -0.55)
    axes.set_yticks(range(len(labels)))
    axes.set_yticklabels(
        [short(label, layout.longest) for label in labels], color=frame.ink, parse_math=False
    )
    axes.tick_params(axis="y", length=0)
    axes.spines["left"].set_visible(False)
    name_axis(axes, "x", axis, frame)
    fewer_ticks(axes, frame, x=8)
    return figure, axes


def bar(axes: Axes, low: float, high: float, row: float, colour: str, width: float, **how: Any) -> None:
    """Draw an interval as a bar in its row."""
    axes.plot([low, high], [row, row], color=colour, linewidth=width, **how)


def estimate(axes: Axes, found: Any, row: float, colour: str, frame: Frame, filled: bool = True) -> None:
    """Draw what has value, low and high in its row: a bar, and on it a dot, open where it is not filled."""
    bar(axes, found.low, found.high, row, colour, frame.pen * 2.4, zorder=2)
    dot: dict[str, Any] = {"color": colour if filled else frame.paper, "markeredgecolor": colour, "zorder": 4}
    axes.plot([found.value], [row], "o", markersize=frame.small * 0.7, markeredgewidth=frame.pen * 1.3, **dot)


def apart(places: Sequence[float], gap: float) -> list[float]:
    """Return places moved as little as needed, by least squares, to stand at least a gap apart in the same order."""
    from scipy.optimize import isotonic_regression

    order, least = np.argsort(places, kind="stable"), gap * np.arange(len(places))
    moved = np.zeros(len(places))
    if len(places):
        moved[order] = isotonic_regression(np.asarray(places, dtype=float)[order] - least).x + least
    return [float(each) for each in moved]


def size_of(axes: Axes) -> tuple[float, float]:
    """Return width and height, in inches, of the figure that axes stand in."""
    figure: Any = axes.figure
    width, height = figure.get_size_inches()
    return float(width), float(height)


def sign_film(figure: Figure, frame: Frame, headline: str, note: str, corner: str) -> None:
    """Write headline, what bars are, and claim id with date on a 16:9 picture.

    Nothing is set in type smaller than 1/25 of the height; note and corner share a line where they fit.
    """
    style: dict[str, Any] = {
        "parse_math": False,
        "fontsize": frame.small,
        "color": frame.soft,
        "va": "bottom",
    }
    bold = {**style, "fontsize": 34, "fontweight": "bold", "color": frame.ink, "va": "top"}
    one_line = len(note) + len(corner) <= LONGEST_FOOT
    figure.text(0.03, 0.955, headline, **bold)
    figure.text(0.03, 0.03 if one_line else 0.075, note, **style)
    figure.text(0.97, 0.03 if one_line else 0.02, corner, ha="right", **style)
