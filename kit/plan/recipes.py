"""What simulated fuels are made of, and how their bags and charges come to differ."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from math import erf, sqrt

import numpy as np
import numpy.typing as npt

from kit.plan.burning import Charges, Floats

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


LUMP = Recipe()
BRIQUETTE = Recipe(
    size_m=0.046, size_spread=0.05, density=860.0, moisture=0.06, ash=0.13, volatile=0.15, fines=0.01,
    flux=2.0e-3, lighting=3.5e-3, bag_size=0.01, bag_density=0.02, bag_flux=0.02, packing=0.02, bulk=0.58,
)  # fmt: skip
SHELL = replace(BRIQUETTE, size_m=0.042, density=1120.0, ash=0.05, flux=2.3e-3, lighting=3.2e-3, bulk=0.56)
WHITE = replace(
    LUMP, size_m=0.032, size_spread=0.2, density=1150.0, ash=0.02, volatile=0.05, flux=2.6e-3,
    lighting=1.6e-3, bulk=0.5,
)  # fmt: skip
KINDS: Mapping[str, Recipe] = {
    "lump": LUMP,
    "briquette": BRIQUETTE,
    "shell briquette": SHELL,
    "white charcoal": WHITE,
}


def kind_named(words: str) -> Recipe:
    """Return the recipe of the kind that some words name; lump where they name none."""
    said = words.lower()
    if said in KINDS:
        return KINDS[said]
    if any(word in said for word in ("shell", "coco", "stone")):
        return SHELL
    if "briq" in said or "pellet" in said:
        return BRIQUETTE
    return WHITE if "white" in said else LUMP


def charges_of(
    recipes: Sequence[Recipe],
    bags: Sequence[int],
    mass_g: Floats,
    humidity_pct: Floats,
    seed: int,
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
    burns = len(recipes)
    of_bag = np.random.default_rng([seed, 1]).standard_normal((max(bags) + 1, 5))[np.asarray(bags)]
    of_burn = np.random.default_rng([seed, 2]).standard_normal((burns, 3))

    def mean(name: str) -> Floats:
        return np.array([getattr(recipe, name) for recipe in recipes], dtype=float)

    size = mean("size_m") * np.exp(mean("bag_size") * of_bag[:, 0])
    density = mean("density") * np.exp(mean("bag_density") * of_bag[:, 1])
    wet = mean("bag_moisture") * of_bag[:, 2] + mean("damp") * of_burn[:, 0] + 2e-4 * (humidity_pct - 60)
    flux = mean("flux") * np.exp(mean("bag_flux") * of_bag[:, 4] + mean("packing") * of_burn[:, 1])
    mass, diameter = _charge(size, mean, density, mass_g, seed)
    return Charges(
        mass,
        diameter,
        np.clip(mean("moisture") + wet, 0.01, 0.3),
        mean("ash") * np.exp(mean("bag_ash") * of_bag[:, 3]),
        mean("volatile"),
        density,
        flux,
        mean("lighting"),
        mean("started") * np.exp(mean("starter") * of_burn[:, 2]),
    )


def _charge(
    size: Floats, mean: Callable[[str], Floats], density: Floats, mass_g: Floats, seed: int
) -> tuple[Floats, Floats]:
    """Return mass and diameter of each class: pieces as drawn, pulled to the bag's mix; fines last."""
    whole, spread = mass_g * (1 - mean("fines")), mean("size_spread")
    drawn = _pieces(size, spread, density, whole, seed)
    expected = _mix(size, spread, whole)
    pull = mean("mixing")[:, None]
    mass, surface = (middle + pull * (own - middle) for own, middle in zip(drawn, expected, strict=True))
    held = mass > 0
    diameter = np.minimum(np.where(held, mass, 0.04) / np.where(held, surface, 1.0), LARGEST_M)
    fines = np.full(len(size), FINES_M)
    return np.column_stack([mass, mass_g - whole]), np.column_stack([diameter, fines])


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
