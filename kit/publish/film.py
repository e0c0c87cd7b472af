"""Burn curves drawn over time, as a short film: for a talk or a film about the trial."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from importlib import import_module
from pathlib import Path
from typing import Any, Final, cast

import numpy as np
import pandas as pd

from kit.publish.canvas import FILM, apart, canvas, cast_of, short
from kit.publish.provenance import SIMULATED
from kit.publish.wording import refused
from kit.results_file import RESULTS, needed_reports, read_part
from kit.runtime.atomic_write import place_file, staging

SIZE: Final = (1920, 1080)
RATE: Final = 30
_LOWEST_NAME: Final = 0.13
_HOLD_S: Final = 2.0  # the last picture stands still, to be read
_CODECS: Final = ("libx264", "libvpx-vp9")
_LONGEST: Final = 22
_EARLIEST_MIN: Final = -10.0  # what was logged before is of no burn's heat


def make_film(
    run_folder: str | Path, seconds: float = 12.0, progress: Callable[[str], None] | None = None
) -> Path:
    """Draw the curves of a run folder's newest report over time and return the film.

    Lines are those of the report's own figure: every burn thin, the mean of each fuel thick.  The film stands beside
    the report as REPORT-curves.mp4 (1920 by 1080, 30 pictures a second); nothing is overwritten.

    Raises
    ------
    KitError
        Where there is no report, or the package `av` is not installed.
    """
    folder = Path(run_folder).absolute()
    report = needed_reports(folder, "standard")[0].folder
    try:
        av = import_module("av")
    except ImportError as error:
        raise refused("no_av", "film") from error
    shown, total = pictures(_Stage(report), seconds), round(seconds * RATE)
    with staging(folder / "reports") as room:
        made = room / "film.mp4"
        with av.open(str(made), "w") as container:
            codec = next(name for name in _CODECS if name in av.codecs_available)
            stream = container.add_stream(codec, rate=RATE)
            stream.width, stream.height = SIZE
            stream.pix_fmt = "yuv420p"
            stream.options = {"crf": "20"}
            for done, picture in enumerate(shown, 1):
                container.mux(stream.encode(av.VideoFrame.from_ndarray(picture, format="rgb24")))
                if progress and done % RATE == 0:
                    progress(f"Drawing the film: {done / total:.0%}")
            container.mux(stream.encode())
        return place_file(made, folder / "reports", f"{report.name}-curves")


def pictures(stage: _Stage, seconds: float) -> Iterator[np.ndarray[Any, Any]]:
    """Yield the pictures of a film, each an array of height × width × 3 bytes."""
    first, last = stage.table["minutes"].min(), stage.table["minutes"].max()
    drawn = max(2, round((seconds - _HOLD_S) * RATE))
    for now in np.linspace(first, last, drawn):
        yield stage.at(float(now))
    final = stage.at(float(last))
    for _ in range(round(_HOLD_S * RATE)):
        yield final


class _Stage:
    """Axes drawn once for the curves of a report, and the lines drawn over them up to a moment."""

    def __init__(self, report: Path) -> None:
        # rows of fuel, burn ('' for a mean), minutes and temp
        curves = pd.read_csv(report / "figures" / "curves.csv", dtype={"fuel": str, "burn": str})
        shown = curves["what"].isin(["burn", "mean"]) & (curves["minutes"] >= _EARLIEST_MIN)
        table = curves.assign(burn=curves["burn"].fillna(""))[shown].dropna(subset=["minutes", "temp"])
        trial = read_part(report / RESULTS, {"trial"}, {"trial"})["trial"]
        declared = [(fuel["id"], fuel["name"] or fuel["id"], fuel["kind"]) for fuel in trial.get("fuels", [])]
        simulated = (report.parents[1] / SIMULATED).is_file()
        self.table, self._cast = table, cast_of(declared, table["fuel"])
        self._figure, (self._axes,) = canvas(FILM, 9, margins=(0.42, 1.69, 0.13, 0.2))
        self._canvas = cast(Any, self._figure.canvas)
        self._axes.set_xlim(min(table["minutes"].min(), 0.0), table["minutes"].max())
        self._axes.set_ylim(table["temp"].min() - 5, table["temp"].max() * 1.04)
        self._axes.set_xlabel(f"minutes since {trial.get('time_zero', 'lit')}")
        self._write(0.02, 0.9, "°F" if trial.get("show") == "us" else "°C", ha="left")
        self._write(0.965, 0.02, f"{'simulated, ' * simulated}{report.name[:10]}")
        self._strokes = [self._stroke(*each) for each in table.groupby(["fuel", "burn"], sort=False)]
        of_names: dict[str, Any] = {"ha": "left", "va": "center", "animated": True}
        self._names = {
            each.id: self._write(
                0.715, 0.0, short(each.name, _LONGEST), color=FILM.fuel(each.place), **of_names
            )
            for each in self._cast
        }
        self._clock = self._write(0.965, 0.9, "", animated=True)
        self._canvas.draw()
        self._empty = self._canvas.copy_from_bbox(self._figure.bbox)

    def _write(self, x: float, y: float, text: str, **how: Any) -> Any:
        style: dict[str, Any] = {"ha": "right", "va": "bottom", "color": FILM.soft} | how
        return self._figure.text(x, y, text, size=FILM.small, parse_math=False, **style)

    def _stroke(self, key: tuple[str, str], rows: pd.DataFrame) -> tuple[Any, np.ndarray[Any, Any]]:
        fuel, burn = key
        player = self._cast[fuel]
        (line,) = self._axes.plot(
            [], [], color=FILM.fuel(player.place), animated=True, solid_capstyle="round",
            linewidth=1.6 if burn else 6.0, alpha=0.4 if burn else 1.0, linestyle="solid" if burn else player.dash,
        )  # fmt: skip
        return line, rows[["minutes", "temp"]].sort_values("minutes").to_numpy(dtype=float)

    def at(self, now: float) -> np.ndarray[Any, Any]:
        """Return the picture at a moment, in minutes."""
        self._canvas.restore_region(self._empty)
        for line, points in self._strokes:
            until = int(np.searchsorted(points[:, 0], now, side="right"))
            line.set_data(points[:until, 0], points[:until, 1])
            self._axes.draw_artist(line)
        # each fuel's name stands at its latest value, kept a line of type apart from the others
        latest = {}
        for (fuel, burn), rows in self.table.groupby(["fuel", "burn"], sort=False):
            if not burn or fuel not in latest:
                seen = rows[rows["minutes"] <= now]
                if len(seen):
                    latest[fuel] = float(seen["temp"].iloc[-1])
        (low, high), box = self._axes.get_ylim(), self._axes.get_position()
        wished = [box.y0 + box.height * (temp - low) / (high - low) for temp in latest.values()]
        places = apart([max(place, _LOWEST_NAME) for place in wished], 0.052)
        for fuel, place in zip(latest, places, strict=True):
            self._names[fuel].set_y(place + max(0.0, _LOWEST_NAME - min(places)))
            self._figure.draw_artist(self._names[fuel])
        self._clock.set_text(f"{max(now, 0):.0f} min")
        self._figure.draw_artist(self._clock)
        return np.ascontiguousarray(np.asarray(self._canvas.buffer_rgba())[..., :3])
