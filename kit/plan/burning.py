"""Many simulated burns at once: pieces that light and shrink, the air they get, and a cooker that warms."""

from __future__ import annotations

from dataclasses import dataclass, field
from itertools import pairwise

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]

WATER_HEAT = 2.44e6  # J/kg, evaporation
HEAT_PER_AIR = 2.85e6  # J released per kg of air used up
CARBON_HEAT, MONOXIDE_HEAT = 32.8, 9.2  # MJ/kg of carbon to CO2, to CO
VOLATILE_HEAT = 22.0  # MJ/kg
GAS_HEAT = 1050.0  # J/(kg K)
AIR_DENSITY, GRAVITY, KELVIN = 1.2, 9.81, 273.15


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
    def combustible_g(self) -> Floats:
        """Burnable mass of each class, g."""
        return self.mass_g * ((1 - self.moisture) * (1 - self.ash))[:, None]

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
    ambient_c, wind_m_s
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
    vents: Floats
    lid_delay_s: Floats
    open_from_s: Floats
    open_until_s: Floats


DRUM = Cooker()
BOWL = Cooker(wall_j_k=6_000.0, shell_w_k=9.0, gas_wall_w_k=20.0, vent_m2=0.0016, height_m=0.5)
CERAMIC = Cooker(wall_j_k=70_000.0, shell_w_k=5.0, film_per_wind=0.05, gas_wall_w_k=22.0, height_m=0.7)


def conditions(burns: int, ambient_c: float = 15.0, wind_m_s: float = 1.5) -> Conditions:
    """Return standard weather and handling for some burns: full vents, lid after 60 s, never opened."""
    same = np.ones(burns)
    never = np.full(burns, np.inf)
    return Conditions(ambient_c * same, wind_m_s * same, same, 60.0 * same, never, never)


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


@dataclass
class _State:
    """What changes from step to step; arrays of burns, or burns × classes."""

    core: Floats  # (d/d0)², falls linearly in free air: burn-out time ∝ d² (DEVELOPERS.md, physics)
    lit: Floats
    left: Floats
    gas: Floats
    wall: Floats
    grate: Floats
    lid: Floats
    tipped: Floats
    lid_on: Floats
    heat: dict[str, Floats] = field(default_factory=dict)


@dataclass(frozen=True)
class _Rates:
    """Constants of each burn and class, made once."""

    shrink: Floats
    spread: Floats
    mass: Floats
    water: Floats
    small_bed: Floats


READY = 0.6  # share of the surface alight when the operator tips the charge
REFERENCE_M = 0.040


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
    cooker = cooker or Cooker()
    times = np.arange(0.0, hours * 3600 + step_s / 2, step_s)
    gusts = _gusts(len(times), len(around.wind_m_s), step_s, seed)
    state, rates = _begin(charges, around, step_s)
    grate, lid, left = (np.empty((len(times), len(around.wind_m_s))) for _ in range(3))
    for i, now in enumerate(times):
        grate[i], lid[i], left[i] = state.grate, state.lid, state.left
        if i + 1 == len(times):
            break
        _step(state, rates, charges, around, cooker, around.wind_m_s * gusts[i], now, step_s)
    state.heat["wall"] = cooker.wall_j_k * (state.wall - around.ambient_c)
    water = (rates.water * state.lit).sum(axis=1)
    ash = (charges.mass_g.sum(axis=1)) * (1 - charges.moisture) * charges.ash
    return Burnt(times, grate.T, lid.T, left.T, state.tipped, state.lid_on, state.heat, water, ash)


def _gusts(steps: int, burns: int, step_s: float, seed: int) -> Floats:
    """Return a factor on the mean wind, steps × burns, with mean one and a memory of three minutes."""
    of_burn = np.random.default_rng([seed, 11]).standard_normal((burns, steps))
    draws = np.ascontiguousarray(of_burn.T)  # a burn keeps its gusts when others join
    memory = float(np.exp(-step_s / 180))
    draws[1:] *= np.sqrt(1 - memory**2)
    for before, after in pairwise(draws):
        after += memory * before
    strength = 0.35
    gusts: Floats = np.exp(strength * draws - strength**2 / 2)
    return gusts


def _begin(charges: Charges, around: Conditions, step_s: float) -> tuple[_State, _Rates]:
    burns, classes = charges.mass_g.shape
    relative = charges.diameter_m / REFERENCE_M
    # d(d²/d0²)/dt = −4 j/(ρ d0), with j = flux / relative: film-limited
    shrink = 4 * charges.flux[:, None] / (charges.density[:, None] * charges.diameter_m * relative)
    damp = np.exp(-6 * (charges.moisture - 0.05))  # wet pieces must dry before they light
    spread = (charges.lighting * damp)[:, None] / np.sqrt(relative)
    water = charges.mass_g * charges.moisture[:, None]
    mass = charges.combustible_g
    rates = _Rates(shrink * step_s, spread * step_s, mass, water, 0.05 * mass.sum(axis=1))
    lit = np.repeat(charges.started[:, None], classes, axis=1)
    unknown = np.full(burns, np.nan)
    same = around.ambient_c
    state = _State(
        np.ones((burns, classes)), lit, mass.sum(axis=1), same.copy(), same.copy(), same.copy(),
        same.copy(), unknown, unknown.copy(),
    )  # fmt: skip
    names = ("fuel", "chimney", "monoxide", "water", "flue", "shell")
    state.heat = {name: np.zeros(burns) for name in names}
    state.heat["water"] += WATER_HEAT * 1e-3 * (water * lit).sum(axis=1)
    state.heat["chimney"] -= state.heat["water"]
    return state, rates


def _step(
    state: _State, rates: _Rates, charges: Charges, around: Conditions, cooker: Cooker, wind: Floats,
    now: float, step_s: float,
) -> None:  # fmt: skip
    inside, closed = _handling(state, rates, around, now)
    air = _air(state, around, cooker, wind, inside, closed)
    burnt, capped = _shrink(state, rates, charges, air, inside, step_s)
    dried = _spread(state, rates, inside)
    released = charges.heat * burnt
    # C to CO where air is short; a little always
    monoxide = (0.03 + 0.2 * (1 - capped)) * (1 - MONOXIDE_HEAT / CARBON_HEAT) * released
    drying = WATER_HEAT * 1e-3 * dried
    for name, joules in (("fuel", released), ("monoxide", monoxide), ("water", drying)):
        state.heat[name] += joules
    fire = released - monoxide - drying
    state.heat["chimney"] += np.where(inside, 0.0, fire)
    _warm(state, around, cooker, np.where(inside, fire / step_s, 0.0), air, wind, closed, step_s)


def _handling(
    state: _State, rates: _Rates, around: Conditions, now: float
) -> tuple[npt.NDArray[np.bool_], npt.NDArray[np.bool_]]:
    """Tip charges that are ready and put lids on; return which are inside and which are closed."""
    waiting = np.isnan(state.tipped)
    if waiting.any():
        share = (rates.mass * state.lit).sum(axis=1) / rates.mass.sum(axis=1)
        ready = waiting & (share >= READY)
        state.tipped[ready] = now
        state.lid_on[ready] = now + around.lid_delay_s[ready]
        waiting &= ~ready
    opened = (now >= around.open_from_s) & (now < around.open_until_s)
    return ~waiting, (now >= state.lid_on) & ~opened


def _air(
    state: _State, around: Conditions, cooker: Cooker, wind: Floats,
    inside: npt.NDArray[np.bool_], closed: npt.NDArray[np.bool_],
) -> Floats:  # fmt: skip
    """Return the air through the vents, kg/s: Δp = ρ g H (1 − Ta/Tg), ṁ = Cd A √(2ρΔp)."""
    ratio = (around.ambient_c + KELVIN) / (np.maximum(state.gas, around.ambient_c) + KELVIN)
    stack = AIR_DENSITY * GRAVITY * cooker.height_m * (1 - ratio)
    pushed = 0.08 * 0.5 * AIR_DENSITY * wind**2
    through = cooker.discharge * cooker.vent_m2 * around.vents
    drawn = through * np.sqrt(2 * AIR_DENSITY * (stack + pushed + 0.05))
    return np.where(inside & closed, drawn, 0.006)


def _shrink(
    state: _State, rates: _Rates, charges: Charges, air: Floats, inside: npt.NDArray[np.bool_],
    step_s: float,
) -> tuple[Floats, Floats]:  # fmt: skip
    """Burn a step; return the mass burnt, g, and how far the air allowed it."""
    lit_left = (rates.mass * state.lit * state.core).sum(axis=1)
    keen = lit_left / (lit_left + rates.small_bed)  # a few coals alone keep too little heat
    potential = 1.5 * (rates.mass * rates.shrink * state.lit * np.sqrt(state.core)).sum(axis=1) * keen
    demanded = 1.4 * charges.heat * potential / step_s / HEAT_PER_AIR
    capped = np.where(inside, np.minimum(1.0, air / np.maximum(demanded, 1e-9)), 1.0)
    state.core -= rates.shrink * state.lit * (keen * capped)[:, None]
    np.maximum(state.core, 0.0, out=state.core)
    left = (rates.mass * state.core * np.sqrt(state.core)).sum(axis=1)
    burnt = state.left - left
    state.left = left
    return burnt, capped


def _spread(state: _State, rates: _Rates, inside: npt.NDArray[np.bool_]) -> Floats:
    """Spread the lighting a step; return the water driven off, g."""
    pace = np.where(inside, 0.6, 1.0)[:, None]  # spread out on the grate it lights more slowly
    grown = pace * rates.spread * state.lit * (1 - state.lit)
    state.lit += grown
    dried: Floats = (rates.water * grown).sum(axis=1)
    return dried


def _warm(
    state: _State, around: Conditions, cooker: Cooker, fire: Floats, air: Floats, wind: Floats,
    closed: npt.NDArray[np.bool_], step_s: float,
) -> None:  # fmt: skip
    """Share the fire's heat between flue, wall and shell; move gas, wall and probes a step on."""
    flow = GAS_HEAT * np.where(closed, air, 0.05)
    ambient = around.ambient_c
    radiated = cooker.radiant * fire
    state.gas = (fire - radiated + flow * ambient + cooker.gas_wall_w_k * state.wall) / (
        flow + cooker.gas_wall_w_k
    )
    lost = cooker.shell_w_k * (1 + cooker.film_per_wind * wind) * (state.wall - ambient)
    gained = radiated + cooker.gas_wall_w_k * (state.gas - state.wall)
    state.wall = state.wall + (gained - lost) * step_s / cooker.wall_j_k
    state.heat["flue"] += flow * (state.gas - ambient) * step_s
    state.heat["shell"] += lost * step_s
    follow = 1 - np.exp(-step_s / cooker.lag_s)
    state.grate = state.grate + follow * (state.gas + cooker.probe_k_w * fire - state.grate)
    state.lid = state.lid + follow * (0.7 * state.gas + 0.3 * state.wall - state.lid)
