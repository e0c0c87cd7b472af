"""Quantities: a temperature is shifted by 32, a difference never."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from kit.trial.cells import (
    QuantityError,
    parse_difference,
    parse_percent,
    parse_temperature,
    split_quantity,
    temperature_unit,
)


@pytest.mark.parametrize(
    ("written", "celsius"),
    [
        ("230 °F", 110),
        ("230F", 110),
        ("230 degrees F", 110),
        ("230 ºF", 110),
        ("230 ℉", 110),
        ("110 °C", 110),
        ("110 c", 110),
        ("110,5 °C", 110.5),
        ("383.15 K", 110),
        ("-40 °F", -40),
        ("−40 °F", -40),
        (110, 110),
        (110.5, 110.5),
    ],
)
def test_a_temperature_is_read_in_its_unit(written, celsius):
    assert parse_temperature(written) == pytest.approx(celsius)


@pytest.mark.parametrize(
    "written", ["hot", "110", "1,234 °C", "230 °R", "-300 °C", True, math.nan, math.inf, None, [110], ""]
)
def test_what_is_no_temperature_is_refused(written):
    with pytest.raises(QuantityError, match='"230 °F"'):
        parse_temperature(written)


def test_a_difference_is_scaled_and_never_shifted():
    assert parse_difference("27 °F") == parse_difference("15 °C") == parse_difference("15 K") == 15


@given(st.floats(0.1, 500))
def test_a_difference_of_temperatures_is_the_difference_of_the_temperatures(step):
    apart = parse_temperature(f"{100 + step:.6f} °F") - parse_temperature("100 °F")
    assert apart == pytest.approx(parse_difference(f"{step:.6f} °F"), abs=1e-5)


@pytest.mark.parametrize(("written", "share"), [("10 %", 0.1), ("2.5%", 0.025), ("10 percent", 0.1)])
def test_percentages(written, share):
    assert parse_percent(written) == pytest.approx(share)


@pytest.mark.parametrize("written", [10, "10", "10 min", "ten %"])
def test_a_percentage_needs_its_sign(written):
    with pytest.raises(QuantityError, match="10 %"):
        parse_percent(written)


def test_a_comma_before_three_digits_is_no_decimal_mark():
    assert split_quantity("1,234 °C") is None
    assert split_quantity("1,23 °C") == (1.23, "°C")


@pytest.mark.parametrize("word", ["", "R", "cm", "%", "fc"])
def test_other_units_are_no_temperatures(word):
    assert not temperature_unit(word)
