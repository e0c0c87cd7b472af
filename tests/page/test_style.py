"""Colours: readable on their page, apart from one another for every kind of sight."""

import itertools

import numpy as np
import pytest

from kit.page.document import DARK, FUELS_DARK, FUELS_LIGHT, LIGHT, stylesheet

# Machado, Oliveira & Fernandes (2009), severity 1
SIGHTS = {
    "normal": np.eye(3),
    "deutan": [
        [0.367322, 0.860646, -0.227968],
        [0.280085, 0.672501, 0.047413],
        [-0.011820, 0.042940, 0.968881],
    ],
    "protan": [
        [0.152286, 1.052583, -0.204868],
        [0.114503, 0.786281, 0.099216],
        [-0.003882, -0.048116, 1.051998],
    ],
    "tritan": [
        [1.255528, -0.076749, -0.178779],
        [-0.078411, 0.930809, 0.147602],
        [0.004733, 0.691367, 0.303900],
    ],
}


def linear(colour):
    part = np.array([int(colour[i : i + 2], 16) for i in (1, 3, 5)]) / 255
    return np.where(part <= 0.04045, part / 12.92, ((part + 0.055) / 1.055) ** 2.4)


def contrast(one, other):
    bright, dim = sorted(
        (float(linear(each) @ [0.2126, 0.7152, 0.0722]) for each in (one, other)), reverse=True
    )
    return (bright + 0.05) / (dim + 0.05)


def oklab(light):
    to_cone = [
        [0.4122214708, 0.5363325363, 0.0514459929],
        [0.2119034982, 0.6806995451, 0.1073969566],
        [0.0883024619, 0.2817188376, 0.6299787005],
    ]
    to_lab = [
        [0.2104542553, 0.7936177850, -0.0040720468],
        [1.9779984951, -2.4285922050, 0.4505937099],
        [0.0259040371, 0.7827717662, -0.8086757660],
    ]
    return np.array(to_lab) @ np.cbrt(np.array(to_cone) @ light)


@pytest.mark.parametrize(("fuels", "page", "least"), [(FUELS_LIGHT, LIGHT, 3.1), (FUELS_DARK, DARK, 4.0)])
def test_fuels_stand_out_from_the_page(fuels, page, least):
    assert min(contrast(fuel, page["paper"]) for fuel in fuels) >= least


@pytest.mark.parametrize("sight", SIGHTS)
@pytest.mark.parametrize("fuels", [FUELS_LIGHT, FUELS_DARK])
def test_fuels_differ_from_one_another_for_every_sight(fuels, sight):
    seen = [oklab(np.clip(np.array(SIGHTS[sight]) @ linear(fuel), 0, 1)) for fuel in fuels]
    assert min(np.linalg.norm(a - b) for a, b in itertools.combinations(seen, 2)) >= 0.095


@pytest.mark.parametrize("page", [LIGHT, DARK])
@pytest.mark.parametrize("text", ["ink", "soft", "mark"])
@pytest.mark.parametrize("ground", ["paper", "raised"])
def test_text_is_readable_on_both_grounds(page, text, ground):
    assert contrast(page[text], page[ground]) >= 4.5


def test_the_sheet_has_both_schemes_and_loads_nothing():
    sheet = stylesheet()
    assert "prefers-color-scheme:dark" in sheet and "@media print" in sheet
    assert "url(" not in sheet and "@import" not in sheet
