"""The empty figure: axes in the kit's own style, direct labels that keep clear of one another."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING, Any, Literal

from kit.publish.figures.look import FILM, PAGE, Axis, Frame, Look
from kit.publish.figures.svg import RC

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

LONGEST = 26
LONGEST_FOOT = 66


def short(name: str, longest: int = LONGEST) -> str:
    """Return a name cut to fit a figure, without control characters."""
    clean = " ".join("".join(sign if sign.isprintable() else " " for sign in name).split())
    return clean if len(clean) <= longest else clean[: longest - 1].rstrip() + "…"


def canvas(
    look: Look,
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
    look, frame
        Colours, and page or film.
    height
        Height in inches on the page; film is always 16:9.
    rows, columns, share
        The grid of axes, and whether they share x and y.
    margins
        Left, right, bottom and top in inches on the page; scaled with the type for film.
    """
    import matplotlib
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    with matplotlib.rc_context(dict(RC)):
        figure = Figure(figsize=(frame.width, frame.height(height)), facecolor=look.paper, dpi=frame.dpi)
        FigureCanvasAgg(figure)
        grid = figure.subplots(rows, columns, squeeze=False, sharex=share[0], sharey=share[1])
        axes = [each for row in grid for each in row]
        for each in axes:
            dress(each, look, frame)
    _set_margins(figure, frame, margins)
    return figure, axes


def _set_margins(figure: Figure, frame: Frame, margins: tuple[float, float, float, float]) -> None:
    scale = frame.small / PAGE.small if frame.film else 1.0
    left, right, bottom, top = (scale * each for each in margins)
    if frame.film:
        bottom, top = bottom + 0.8, max(top - 0.6, 0.0) + 1.35
    width, height = figure.get_size_inches()
    figure.subplots_adjust(
        left=left / width, right=1 - right / width, bottom=bottom / height, top=1 - top / height
    )


def room_for(texts: Iterable[str], longest: int = LONGEST) -> float:
    """Return the inches that the longest of these texts takes on the page, in small type."""
    signs = max((len(short(line, longest)) for text in texts for line in text.split("\n")), default=0)
    return 0.2 + signs * 0.0755


def dress(axes: Axes, look: Look, frame: Frame) -> None:
    """Give axes the kit's own style: two thin lines, quiet ticks, no box."""
    axes.set_facecolor("none")
    axes.patch.set_visible(False)
    for side in ("top", "right"):
        axes.spines[side].set_visible(False)
    for side in ("left", "bottom"):
        axes.spines[side].set_color(look.line)
        axes.spines[side].set_linewidth(frame.line)
    axes.tick_params(colors=look.soft, labelsize=frame.small, length=frame.small / 3, width=frame.line * 0.8)
    for axis in (axes.xaxis, axes.yaxis):
        axis.label.set_color(look.soft)
        axis.label.set_fontsize(frame.small)


def name_axis(axes: Axes, which: Literal["x", "y"], axis: Axis, look: Look, frame: Frame) -> None:
    """Name an axis, and give it a second scale in °F on the other side where both systems are shown."""
    own = axes.xaxis if which == "x" else axes.yaxis
    own.set_label_text(axis.name)
    if not axis.second:
        return
    add = 32.0 if axis.second == "degrees" else 0.0
    turns = (lambda celsius: 1.8 * celsius + add, lambda fahrenheit: (fahrenheit - add) / 1.8)
    second: Any = (
        axes.secondary_xaxis("top", functions=turns)
        if which == "x"
        else axes.secondary_yaxis("right", functions=turns)
    )
    side = "top" if which == "x" else "right"
    for name, spine in second.spines.items():
        spine.set_visible(name == side)
        spine.set_color(look.line)
        spine.set_linewidth(frame.line)
    second.tick_params(
        colors=look.soft, labelsize=frame.small, length=frame.small / 3, width=frame.line * 0.8
    )
    label = second.set_xlabel if which == "x" else second.set_ylabel
    label("°F", color=look.soft, fontsize=frame.small)


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


def word(
    axes: Axes, x: float, y: float, text: str, look: Look, frame: Frame, nudge: float = 0.0, **how: Any
) -> None:
    """Write a text at data coordinates, plain text whatever it holds, nudged aside by so many points."""
    style: dict[str, Any] = {"color": look.ink, "fontsize": frame.small, "va": "center", "ha": "left"}
    axes.annotate(
        text,
        (x, y),
        xytext=(nudge, 0),
        textcoords="offset points",
        annotation_clip=False,
        **{**style, **how},
        parse_math=False,
    )


def apart(places: Sequence[float], gap: float) -> list[float]:
    """Return places moved as little as needed to stand at least a gap apart, in the same order.

    Pools neighbours that collide and centres each pool on the mean of its members' wishes.
    """
    order = sorted(range(len(places)), key=lambda i: places[i])
    pools: list[list[int]] = []
    centres: list[float] = []
    for i in order:
        pools.append([i])
        centres.append(places[i])
        while len(pools) > 1 and _collide(pools, centres, gap):
            last = pools.pop()
            centres.pop()
            pools[-1].extend(last)
            centres[-1] = sum(places[j] for j in pools[-1]) / len(pools[-1])
    moved = list(places)
    for pool, centre in zip(pools, centres, strict=True):
        for rank, i in enumerate(pool):
            moved[i] = centre + gap * (rank - (len(pool) - 1) / 2)
    return moved


def _collide(pools: list[list[int]], centres: list[float], gap: float) -> bool:
    reach = gap * (len(pools[-1]) + len(pools[-2])) / 2
    return centres[-1] - centres[-2] < reach


def size_of(axes: Axes) -> tuple[float, float]:
    """Return width and height, in inches, of the figure that axes stand in."""
    figure: Any = axes.figure
    width, height = figure.get_size_inches()
    return float(width), float(height)


def type_gap(axes: Axes, frame: Frame) -> float:
    """Return the height of a line of small type in data units of the y axis."""
    bottom, top = axes.get_ylim()
    box = axes.get_position()
    inches = box.height * size_of(axes)[1]
    return abs(top - bottom) * frame.small * 1.25 / 72 / inches


def mark_simulated(figure: Figure, look: Look, frame: Frame) -> None:
    """Write 'simulated' into the lower right corner of a figure."""
    figure.text(
        0.996,
        0.004,
        "simulated",
        va="bottom",
        ha="right",
        color=look.warn,
        fontsize=frame.small,
        parse_math=False,
    )


def sign_film(figure: Figure, look: Look, headline: str, note: str, corner: str) -> None:
    """Write headline, what bars are, and claim id with date on a 16:9 picture.

    Nothing is set in type smaller than 1/25 of the height; note and corner share a line where they fit.
    """
    style: dict[str, Any] = {"parse_math": False, "fontsize": FILM.small}
    foot = 0.03 if len(note) + len(corner) <= LONGEST_FOOT else 0.075
    bold: dict[str, Any] = {**style, "fontsize": 34, "fontweight": "bold"}
    figure.text(0.03, 0.955, headline, va="top", color=look.ink, **bold)
    figure.text(0.03, foot, note, va="bottom", color=look.soft, **style)
    figure.text(
        0.97, 0.02 if foot > 0.03 else foot, corner, va="bottom", ha="right", color=look.soft, **style
    )
