"""Simulated burns: fuels and their bags, pieces that light and shrink, the air they get, a cooker that warms."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from math import erf, sqrt

import numpy as np
import numpy.typing as npt

from kit.data_file import data_file
from kit.schema import KELVIN

Floats = npt.NDArray[np.float64]
Flags = npt.NDArray[np.bool_]

WATER_HEAT = 2.44e6  # J/kg, evaporation
HEAT_PER_AIR = 2.85e6  # J released per kg of air used up
CARBON_HEAT, MONOXIDE_HEAT = 32.8, 9.2  # MJ/kg of carbon to CO2, to CO
VOLATILE_HEAT = 22.0  # MJ/kg
GAS_HEAT = 1050.0  # J/(kg K)
AIR_DENSITY, GRAVITY = 1.2, 9.81


@dataclass(frozen=True)
class Charges:
    """What is burnt: one row a burn, pieces gathered in size classes.

    Attributes
    ----------
    mass_g, diameter_m
        Mass and surface-keeping diameter of each size class; burns × classes.
    moisture, ash, volatile
        Mass fractions: of the charge as loaded, of the dry fuel, of the dry fuel.
    density
        Of a piece, kg/m³.
    flux
        Surface burning rate of a piece of 40 mm in free air, kg/(m² s).
    lighting
        Rate at which lighting spreads over pieces of 40 mm in a chimney starter, 1/s.
    started
        Share of the surface that the starter lights.
    """

    mass_g: Floats
    diameter_m: Floats
    moisture: Floats
    ash: Floats
    volatile: Floats
    density: Floats
    flux: Floats
    lighting: Floats
    started: Floats

    @property
    def heat(self) -> Floats:
        """Heating value of the burnable part, J/g: 32.8 FC + 22 VM over their sum (DEVELOPERS.md, physics)."""
        carbon = 1 - self.ash - self.volatile
        mixed = CARBON_HEAT * carbon + VOLATILE_HEAT * self.volatile
        return 1e3 * mixed / (carbon + self.volatile)


@dataclass(frozen=True)
class Cooker:
    """A closed cooker, lumped into gas and wall; the default is a steel drum oven.

    Attributes
    ----------
    wall_j_k, shell_w_k, gas_wall_w_k
        Heat capacity of the wall, its loss in still air, heat passed from gas to wall.
    film_per_wind
        Growth of the shell loss per m/s of wind.
    vent_m2, height_m, discharge
        Open vent area at full vents, height of the hot column, discharge coefficient.
    radiant
        Share of the heat that the coals radiate straight to the wall.
    probe_k_w
        What the main probe reads above the gas, per W of fire, because it sees the coals.
    lag_s
        Time constant of the probes.
    """

    wall_j_k: float = 15_000.0
    shell_w_k: float = 8.4
    gas_wall_w_k: float = 24.0
    film_per_wind: float = 0.3
    vent_m2: float = 0.0016
    height_m: float = 0.9
    discharge: float = 0.6
    radiant: float = 0.25
    probe_k_w: float = 0.014
    lag_s: float = 35.0


@dataclass(frozen=True)
class Conditions:
    """Weather and handling of each burn; arrays of one value a burn.

    Attributes
    ----------
    ambient_c, wind_m_s, humidity_pct
        Means over the burn.
    vents
        Opening, 1 for full.
    lid_delay_s
        From tipping to the lid.
    open_from_s, open_until_s
        Seconds since lighting between which the lid was opened; infinite for never.
    """

    ambient_c: Floats
    wind_m_s: Floats
    humidity_pct: Floats
    vents: Floats
    lid_delay_s: Floats
    open_from_s: Floats
    open_until_s: Floats


def conditions(burns: int, ambient_c: float = 15.0, wind_m_s: float = 1.5) -> Conditions:
    """Return standard weather and handling for some burns: 60 % humidity, full vents, lid after 60 s, never opened."""
    means = (np.full(burns, value) for value in (ambient_c, wind_m_s, 60.0, 1.0, 60.0, np.inf, np.inf))
    return Conditions(*means)


@dataclass(frozen=True)
class Burnt:
    """What the simulated burns did; times in seconds since lighting.

    Attributes
    ----------
    time_s
        Grid of times.
    grate_c, lid_c
        True probe temperatures; burns × times.
    left_g
        Burnable mass still there; burns × times.
    tipped_s, lid_on_s
        When the charge was ready and tipped, and the lid put on; nan where it never lit.
    heat
        Where the heat went by the end, J: 'fuel' is what was burnt, and the others share it out: 'chimney',
        'monoxide', 'water', 'flue', 'shell', 'wall'.
    water_g, ash_g
        Water driven off; ash of what was burnt.
    """

    time_s: Floats
    grate_c: Floats
    lid_c: Floats
    left_g: Floats
    tipped_s: Floats
    lid_on_s: Floats
    heat: dict[str, Floats]
    water_g: Floats
    ash_g: Floats


READY = 0.6  # share of the surface alight when the operator tips the charge
REFERENCE_M = 0.040
GUSTINESS, MEMORY_S = 0.35, 180
"""SD of the logarithm of the wind within a burn, and how long a gust lasts."""


def burn(
    charges: Charges,
    around: Conditions,
    cooker: Cooker | None = None,
    hours: float = 4.0,
    step_s: float = 10.0,
    seed: int = 1,
) -> Burnt:
    """Simulate burns from lighting on, all at once.

    Parameters
    ----------
    charges, around
        One row a burn.
    cooker
        The default is a steel drum oven.
    hours, step_s
        Length and time step.
    seed
        Of the gusts.

    Notes
    -----
    Class i with radius r_i and lit fraction φ_i: dr_i/dt = −φ_i g j_i/ρ with j_i ∝ 1/d_i, so d² falls
    linearly; air cap g = min(1, air supplied/air demanded); lighting spreads logistically; draught
    Δp = ρ g H (1 − Ta/Tg), ṁ = Cd A √(2ρΔp) (DEVELOPERS.md, physics).
    """
    times = np.arange(0.0, hours * 3600 + step_s / 2, step_s)
    of_burn = np.random.default_rng([seed, 11]).standard_normal((len(around.wind_m_s), len(times)))
    gusts = np.ascontiguousarray(of_burn.T)  # a burn keeps its gusts when others join
    memory = float(np.exp(-step_s / MEMORY_S))
    gusts[1:] *= np.sqrt(1 - memory**2)
    for before, after in pairwise(gusts):
        after += memory * before
    wind = around.wind_m_s * np.exp(GUSTINESS * gusts - GUSTINESS**2 / 2)  # as windy on the whole
    fires = _Fires(charges, around, cooker or COOKERS["drum"], step_s)
    grate, lid, left = (np.empty((len(times), len(around.wind_m_s))) for _ in range(3))
    for i, now in enumerate(times):
        grate[i], lid[i], left[i] = fires.grate, fires.lid, fires.left
        if i + 1 < len(times):
            fires.step(now, wind[i])
    fires.heat["wall"] = fires.cooker.wall_j_k * (fires.wall - around.ambient_c)
    water = (fires.water * fires.lit).sum(axis=1)
    ash = (charges.mass_g.sum(axis=1)) * (1 - charges.moisture) * charges.ash
    return Burnt(times, grate.T, lid.T, left.T, fires.tipped, fires.lid_on, fires.heat, water, ash)


class _Fires:
    """Burns under way; what changes from step to step are arrays of burns, or burns × classes."""

    def __init__(self, charges: Charges, around: Conditions, cooker: Cooker, step_s: float) -> None:
        self.charges, self.around, self.cooker, self.step_s = charges, around, cooker, step_s
        burns, classes = charges.mass_g.shape
        relative = charges.diameter_m / REFERENCE_M
        # d(d²/d0²)/dt = −4 j/(ρ d0), with j = flux / relative: film-limited
        shrink = 4 * charges.flux[:, None] / (charges.density[:, None] * charges.diameter_m * relative)
        damp = np.exp(-6 * (charges.moisture - 0.05))  # wet pieces must dry before they light
        spread = (charges.lighting * damp)[:, None] / np.sqrt(relative)
        self.shrink, self.spread = shrink * step_s, spread * step_s
        self.water = charges.mass_g * charges.moisture[:, None]
        self.mass = charges.mass_g * ((1 - charges.moisture) * (1 - charges.ash))[:, None]
        self.core = np.ones((burns, classes))  # (d/d0)², falls linearly in free air: burn-out time ∝ d²
        self.lit = np.repeat(charges.started[:, None], classes, axis=1)
        self.left = self.mass.sum(axis=1)
        self.small_bed = 0.05 * self.left
        self.gas = self.wall = self.grate = self.lid = around.ambient_c
        self.tipped, self.lid_on = np.full(burns, np.nan), np.full(burns, np.nan)
        names = ("fuel", "chimney", "monoxide", "water", "flue", "shell")
        self.heat = {name: np.zeros(burns) for name in names}
        self.heat["water"] += WATER_HEAT * 1e-3 * (self.water * self.lit).sum(axis=1)
        self.heat["chimney"] -= self.heat["water"]

    def step(self, now: float, wind: Floats) -> None:
        """Move all burns a time step on."""
        inside, closed = self._tip_and_close(now)
        air = self._air(wind, inside, closed)
        burnt, capped = self._shrink(air, inside)
        released = self.charges.heat * burnt
        # C to CO where air is short; a little always
        monoxide = (0.03 + 0.2 * (1 - capped)) * (1 - MONOXIDE_HEAT / CARBON_HEAT) * released
        pace = np.where(inside, 0.6, 1.0)[:, None]  # spread out on the grate it lights more slowly
        grown = pace * self.spread * self.lit * (1 - self.lit)
        self.lit += grown
        drying = WATER_HEAT * 1e-3 * (self.water * grown).sum(axis=1)
        for name, joules in (("fuel", released), ("monoxide", monoxide), ("water", drying)):
            self.heat[name] += joules
        fire = released - monoxide - drying
        self.heat["chimney"] += np.where(inside, 0.0, fire)
        self._warm(np.where(inside, fire / self.step_s, 0.0), np.where(closed, air, 0.05), wind)

    def _tip_and_close(self, now: float) -> tuple[Flags, Flags]:
        """Tip charges that are ready and put lids on; return which are inside and which are closed."""
        around, waiting = self.around, np.isnan(self.tipped)
        if waiting.any():
            share = (self.mass * self.lit).sum(axis=1) / self.mass.sum(axis=1)
            ready = waiting & (share >= READY)
            self.tipped[ready] = now
            self.lid_on[ready] = now + around.lid_delay_s[ready]
            waiting &= ~ready
        opened = (now >= around.open_from_s) & (now < around.open_until_s)
        return ~waiting, (now >= self.lid_on) & ~opened

    def _air(self, wind: Floats, inside: Flags, closed: Flags) -> Floats:
        """Return the air through the vents, kg/s: Δp = ρ g H (1 − Ta/Tg), ṁ = Cd A √(2ρΔp)."""
        ambient, cooker = self.around.ambient_c, self.cooker
        ratio = (ambient + KELVIN) / (np.maximum(self.gas, ambient) + KELVIN)
        stack = AIR_DENSITY * GRAVITY * cooker.height_m * (1 - ratio)
        pushed = 0.08 * 0.5 * AIR_DENSITY * wind**2
        through = cooker.discharge * cooker.vent_m2 * self.around.vents
        drawn = through * np.sqrt(2 * AIR_DENSITY * (stack + pushed + 0.05))
        return np.where(inside & closed, drawn, 0.006)

    def _shrink(self, air: Floats, inside: Flags) -> tuple[Floats, Floats]:
        """Burn a step; return the mass burnt, g, and how far the air allowed it."""
        lit_left = (self.mass * self.lit * self.core).sum(axis=1)
        keen = lit_left / (lit_left + self.small_bed)  # a few coals alone keep too little heat
        potential = 1.5 * (self.mass * self.shrink * self.lit * np.sqrt(self.core)).sum(axis=1) * keen
        demanded = 1.4 * self.charges.heat * potential / self.step_s / HEAT_PER_AIR
        capped = np.where(inside, np.minimum(1.0, air / np.maximum(demanded, 1e-9)), 1.0)
        self.core -= self.shrink * self.lit * (keen * capped)[:, None]
        np.maximum(self.core, 0.0, out=self.core)
        before, self.left = self.left, (self.mass * self.core * np.sqrt(self.core)).sum(axis=1)
        return before - self.left, capped

    def _warm(self, fire: Floats, through: Floats, wind: Floats) -> None:
        """Share the fire's heat between flue, wall and shell; move gas, wall and probes a step on."""
        cooker, ambient, step_s = self.cooker, self.around.ambient_c, self.step_s
        flow = GAS_HEAT * through
        radiated = cooker.radiant * fire
        heated = fire - radiated + flow * ambient + cooker.gas_wall_w_k * self.wall
        self.gas = heated / (flow + cooker.gas_wall_w_k)
        lost = cooker.shell_w_k * (1 + cooker.film_per_wind * wind) * (self.wall - ambient)
        gained = radiated + cooker.gas_wall_w_k * (self.gas - self.wall)
        self.wall = self.wall + (gained - lost) * step_s / cooker.wall_j_k
        self.heat["flue"] += flow * (self.gas - ambient) * step_s
        self.heat["shell"] += lost * step_s
        follow = 1 - np.exp(-step_s / cooker.lag_s)
        self.grate = self.grate + follow * (self.gas + cooker.probe_k_w * fire - self.grate)
        self.lid = self.lid + follow * (0.7 * self.gas + 0.3 * self.wall - self.lid)


LARGEST_M = 0.10  # larger pieces are broken before they are charged
FINES_M = 0.007
CUTS = np.array([-1.5, -0.75, -0.25, 0.25, 0.75, 1.25, 1.75])  # size classes, in SDs of ln size
PIECES = 260


@dataclass(frozen=True)
class Recipe:
    """A simulated fuel: its mean make-up and how far bags of it differ.

    Attributes
    ----------
    size_m, size_spread
        Half of the mass is in pieces below this; standard deviation of ln size.
    density
        Of a piece, kg/m³.
    moisture, ash, volatile, fines
        Mass fractions: moisture and fines of the charge, ash and volatile matter of the dry fuel.
    flux, lighting, started
        As in Charges.
    bag_size, bag_density, bag_moisture, bag_ash, bag_flux
        Standard deviations between bags; relative, but of moisture absolute.
    packing, starter, damp
        Standard deviations between charges of one bag: of the bed's packing (relative, on the flux), of the
        share the starter lights (relative), of moisture (absolute).
    mixing
        How far the size mix of a charge strays from the bag's own: 1 for pieces as they come, 0 for a charge
        filled exactly in the bag's mix.
    bulk
        Share of a measured volume that is solid.
    """

    size_m: float = 0.045
    size_spread: float = 0.42
    density: float = 370.0
    moisture: float = 0.055
    ash: float = 0.03
    volatile: float = 0.12
    fines: float = 0.03
    flux: float = 1.35e-3
    lighting: float = 5.6e-3
    started: float = 0.045
    bag_size: float = 0.045
    bag_density: float = 0.03
    bag_moisture: float = 0.006
    bag_ash: float = 0.08
    bag_flux: float = 0.03
    packing: float = 0.03
    starter: float = 0.15
    damp: float = 0.004
    mixing: float = 0.3
    bulk: float = 0.55


KNOWN = data_file(__file__, "simulator.toml")
KINDS: Mapping[str, Recipe] = {kind: Recipe(**own) for kind, own in KNOWN["kind"].items()}
COOKERS: Mapping[str, Cooker] = {name: Cooker(**own) for name, own in KNOWN["cooker"].items()}


def kind_named(words: str) -> Recipe:
    """Return the recipe of the kind that some words name; lump where they name none."""
    return KINDS[_meant("kind_words", words, "lump")]


def cooker_named(words: str) -> Cooker:
    """Return the cooker that some words name, else a steel drum oven."""
    return COOKERS[_meant("cooker_words", words, "drum")]


def _meant(table: str, said: str, otherwise: str) -> str:
    """Return what the first word of a table of simulator.toml that is said stands for."""
    return next((meant for word, meant in KNOWN[table].items() if word in said.lower()), otherwise)


def charges_of(
    recipes: Sequence[Recipe], bags: Sequence[int], mass_g: Floats, humidity_pct: Floats, seed: int
) -> Charges:
    """Draw the charges of some burns: bags first, then the pieces of each charge.

    Parameters
    ----------
    recipes
        One a burn.
    bags
        Number of the bag each burn's charge is from; burns of one number share a bag.
    mass_g, humidity_pct
        One a burn; damp air leaves fuel a little damper.
    seed
        Of bags and charges; the n-th bag and the n-th burn always draw the same numbers.
    """
    of_bag = np.random.default_rng([seed, 1]).standard_normal((max(bags) + 1, 5))[np.asarray(bags)]
    of_burn = np.random.default_rng([seed, 2]).standard_normal((len(recipes), 3))

    def mean(name: str) -> Floats:
        return np.array([getattr(recipe, name) for recipe in recipes], dtype=float)

    size = mean("size_m") * np.exp(mean("bag_size") * of_bag[:, 0])
    density = mean("density") * np.exp(mean("bag_density") * of_bag[:, 1])
    wet = mean("bag_moisture") * of_bag[:, 2] + mean("damp") * of_burn[:, 0] + 2e-4 * (humidity_pct - 60)
    flux = mean("flux") * np.exp(mean("bag_flux") * of_bag[:, 4] + mean("packing") * of_burn[:, 1])
    whole, spread = mass_g * (1 - mean("fines")), mean("size_spread")
    drawn, expected = _pieces(size, spread, density, whole, seed), _mix(size, spread, whole)
    pull = mean("mixing")[:, None]  # of the pieces as drawn to the bag's mix
    mass, surface = (middle + pull * (own - middle) for own, middle in zip(drawn, expected, strict=True))
    held = mass > 0
    diameter = np.minimum(np.where(held, mass, 0.04) / np.where(held, surface, 1.0), LARGEST_M)
    return Charges(
        np.column_stack([mass, mass_g - whole]),  # fines last
        np.column_stack([diameter, np.full(len(size), FINES_M)]),
        np.clip(mean("moisture") + wet, 0.01, 0.3),
        mean("ash") * np.exp(mean("bag_ash") * of_bag[:, 3]),
        mean("volatile"),
        density,
        flux,
        mean("lighting"),
        mean("started") * np.exp(mean("starter") * of_burn[:, 2]),
    )


def _pieces(size: Floats, spread: Floats, density: Floats, whole: Floats, seed: int) -> tuple[Floats, Floats]:
    """Draw pieces until the charge is full; return mass and mass over diameter of each class."""
    deviates = np.random.default_rng([seed, 3]).standard_normal((len(size), PIECES))
    middle = size * np.exp(-3 * spread**2)  # median by number, from the median by mass
    diameter = np.minimum(middle[:, None] * np.exp(spread[:, None] * deviates), LARGEST_M)
    piece_g = 1e3 * density[:, None] * np.pi / 6 * diameter**3
    piece_g = np.diff(np.minimum(np.cumsum(piece_g, axis=1), whole[:, None]), axis=1, prepend=0.0)
    piece_g *= (whole / piece_g.sum(axis=1))[:, None]  # where more small pieces were needed than drawn
    number = np.searchsorted(CUTS, deviates - 3 * spread[:, None])
    place = (number + (len(CUTS) + 1) * np.arange(len(size))[:, None]).ravel()
    return _gathered(place, piece_g), _gathered(place, piece_g / diameter)


def _gathered(place: npt.NDArray[np.int_], weights: Floats) -> Floats:
    burns, classes = len(weights), len(CUTS) + 1
    return np.bincount(place, weights.ravel(), burns * classes).astype(float).reshape(burns, classes)


def _mix(size: Floats, spread: Floats, whole: Floats) -> tuple[Floats, Floats]:
    """Return mass and mass over diameter of each class in the bag as a whole; ln size is normal by mass."""
    mass = whole[:, None] * np.diff(_below(np.zeros_like(spread)), axis=1)
    # ∫ e^(−sz) φ(z) dz = e^(s²/2) (Φ(b + s) − Φ(a + s))
    inverse = np.exp(spread**2 / 2) / size
    return mass, (whole * inverse)[:, None] * np.diff(_below(spread), axis=1)


def _below(shift: Floats) -> Floats:
    """Return the share of a normal below each class's limits, shifted; burns × limits."""
    rows = [[0.0, *(0.5 * (1 + erf((cut + s) / sqrt(2))) for cut in CUTS), 1.0] for s in shift]
    return np.array(rows)
