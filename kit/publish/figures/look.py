"""How figures look: the page's colours for light and dark, fuels by hue, kinds by line style, page and film."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Literal

from kit.page.style import DARK, FUELS_DARK, FUELS_LIGHT, KIND_LINES, LIGHT, MARKERS


@dataclass(frozen=True)
class Look:
    """Colours by role, as '#rrggbb': ground, text, lines, the margin's zone, marks of warning, one hue a fuel."""

    name: Literal["light", "dark"]
    paper: str
    ink: str
    soft: str
    line: str
    mark: str
    band: str
    warn: str
    fuels: tuple[str, ...]

    def fuel(self, place: int) -> str:
        """Return the hue of the fuel at this place of the trial file."""
        return self.fuels[place % len(self.fuels)]


_ROLES = ("paper", "ink", "soft", "line", "mark", "band", "warn")

LIGHT_LOOK = Look("light", **{role: LIGHT[role] for role in _ROLES}, fuels=FUELS_LIGHT)
DARK_LOOK = Look("dark", **{role: DARK[role] for role in _ROLES}, fuels=FUELS_DARK)


def light_to_dark() -> Mapping[str, str]:
    """Return light colour to dark colour, for turning a drawing's text."""
    roles = {LIGHT[role]: DARK[role] for role in _ROLES}
    return roles | dict(zip(FUELS_LIGHT, FUELS_DARK, strict=True))


@dataclass(frozen=True)
class Frame:
    """What a figure is drawn for: width in inches, type sizes in points, line width, dots an inch."""

    name: Literal["page", "film"]
    width: float
    type: float
    small: float
    line: float
    dpi: int

    @property
    def film(self) -> bool:
        """Whether this is the 16:9 picture for film."""
        return self.name == "film"

    def height(self, wanted: float) -> float:
        """Return the height in inches: as wanted on the page, 9/16 of the width for film."""
        return self.width * 9 / 16 if self.film else wanted


PAGE = Frame("page", width=8.4, type=10.0, small=9.0, line=1.0, dpi=150)
FILM = Frame("film", width=16.0, type=28.0, small=26.0, line=3.0, dpi=120)


@dataclass(frozen=True)
class Axis:
    """An axis: its name with its unit, and how it turns into °F where both are shown: 'degrees', 'difference', ''."""

    name: str
    second: str = ""


@dataclass(frozen=True)
class Player:
    """One fuel as figures draw it: id, name as shown, kind, place in the trial file, line by kind, mark by fuel."""

    id: str
    name: str
    kind: str
    place: int
    dash: Any
    marker: str
    kind_place: int = 0

    @property
    def group(self) -> str:
        """Names by which a page finds what is drawn of this fuel and of its kind."""
        return f"pick fuel-{self.place + 1} kind-{self.kind_place + 1}"


@dataclass(frozen=True)
class Cast:
    """The fuels of a trial in the order of the trial file."""

    players: tuple[Player, ...]

    def __getitem__(self, fuel: str) -> Player:
        for player in self.players:
            if player.id == fuel:
                return player
        raise KeyError(fuel)

    def __iter__(self) -> Iterator[Player]:
        return iter(self.players)

    def __len__(self) -> int:
        return len(self.players)

    def name(self, fuel: str) -> str:
        """Return the name as shown."""
        return self[fuel].name

    def only(self, fuels: Sequence[str]) -> Cast:
        """Return the cast of these fuels alone, each with the look it has in the whole trial."""
        return Cast(tuple(player for player in self.players if player.id in set(fuels)))


def cast_of(fuels: Sequence[tuple[str, str, str]]) -> Cast:
    """Return the cast of fuels given as (id, name, kind)."""
    kinds = list(dict.fromkeys(kind for _, _, kind in fuels))
    return Cast(
        tuple(
            Player(
                fuel,
                name,
                kind,
                place,
                KIND_LINES[kinds.index(kind) % len(KIND_LINES)],
                MARKERS[place % len(MARKERS)],
                kinds.index(kind),
            )
            for place, (fuel, name, kind) in enumerate(fuels)
        )
    )
