"""Figures beside the page: SVG, PNG and a 16:9 PNG for film, light and dark, with the data behind each as CSV."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from concurrent.futures import Future
from pathlib import Path

from kit.publish.figures.canvas import DARK_LOOK, LIGHT_LOOK, light_to_dark
from kit.publish.figures.drawing import Drawing, png_bytes
from kit.publish.figures.svg import recoloured, turned, with_words
from kit.publish.plain import as_csv
from kit.runtime.worker import outcome, running_worker

Say = Callable[[str], None]
Files = Mapping[str, bytes]

_begun: dict[tuple[int, str], tuple[Drawing, Future[Files]]] = {}
"""Files that the second process makes, by drawing and date; the drawing is kept so that its id stays its own."""


def export(
    drawings: Iterable[Drawing], folder: str | Path, date: str, progress: Say | None = None
) -> list[Path]:
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
    progress
        Told the title of each drawing.
    """
    tell = progress or (lambda _: None)
    chosen = list({drawing.file: drawing for drawing in drawings}.values())
    begin(chosen, date)
    written: dict[str, list[Path]] = {}
    for drawing in reversed(chosen):  # the second process comes from the other end
        tell(drawing.title)
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
    page, film = drawing.hand_over(), drawing.film(LIGHT_LOOK, date)
    return {
        f"{name}-light.svg": svg.encode(),
        f"{name}-dark.svg": recoloured(svg, light_to_dark()).encode(),
        f"{name}.csv": as_csv(drawing.rows).encode(),
        f"{name}-light.png": png_bytes(page, LIGHT_LOOK),
        f"{name}-dark.png": png_bytes(turned(page, light_to_dark()), DARK_LOOK),
        f"{name}-film-light.png": png_bytes(film, LIGHT_LOOK),
        f"{name}-film-dark.png": png_bytes(turned(film, light_to_dark()), DARK_LOOK),
    }
