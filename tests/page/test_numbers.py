import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from kit.page.shown_numbers import Units, convert, decimals_for, duration, plain, quantity, to_range

METRIC, US, BOTH = Units("metric"), Units("us"), Units("both", "EUR")


def clean(text):
    return text.replace("\u00a0", " ").replace("\u202f", " ")


def test_a_temperature_turns_with_32_and_a_difference_without():
    assert convert(100.0, "°C", True) == 212.0
    assert convert(15.0, "°C", True, difference=True) == 27.0
    assert clean(quantity(15, "°C", BOTH, decimals=0, difference=True)) == "15 °C (27 °F)"
    assert clean(quantity(0, "°C", BOTH, decimals=0)) == "0 °C (32 °F)"


@pytest.mark.parametrize("unit", ["K", "K/min", "K·h"])
def test_units_with_kelvin_turn_by_1_8_alone_and_no_k_is_shown(unit):
    assert convert(10.0, unit, True) == 18.0
    assert convert(10.0, unit, True, difference=True) == 18.0
    assert "K" not in BOTH.heading(unit)
    assert BOTH.heading(unit).startswith("°C")


@pytest.mark.parametrize(
    ("value", "unit", "expected"),
    [
        (400, "g", "14.11 oz"),
        (4.47, "m/s", "10.0 mph"),
        (2, "kg", "4.4 lb"),
        (2.5, "EUR/kg", "1.1 EUR/lb"),
        (0.5, "kg/L", "30 lb/ft³"),
        (3, "per h", "3.0 per h"),
        (50, "%", "50.0 %"),
    ],
)
def test_masses_winds_and_prices_in_us_units(value, unit, expected):
    assert clean(quantity(value, unit, US)) == expected


def test_a_currency_stands_where_prices_are():
    assert BOTH.heading("per h") == "EUR per h"
    assert BOTH.heading("EUR/kg") == "EUR/kg (EUR/lb)"
    assert Units("metric", "kr").heading("/kg") == "kr/kg"
    assert METRIC.heading("") == ""


@pytest.mark.parametrize(
    ("minutes", "words"),
    [
        (0, "0 min"),
        (42.4, "42 min"),
        (60, "1 h"),
        (192, "3 h 12 min"),
        (59.6, "1 h"),
        (-75, "−1 h 15 min"),
        (2940, "2 d 1 h"),
    ],
)
def test_minutes_as_people_say_them(minutes, words):
    assert clean(duration(minutes)) == words


def test_digits_come_from_the_interval():
    assert clean(to_range(24.2, 13.1, 35.4, "min")) == "24 min (13 to 35)"


def test_both_systems_follow_one_another():
    assert clean(to_range(15.2, 3.1, 27, "°C", BOTH, difference=True)) == "15 °C (3 to 27); 27 °F (6 to 49)"


@pytest.mark.parametrize("value", [None, math.nan, math.inf])
def test_no_number_reads_as_a_dash(value):
    assert quantity(value, "°C") == duration(value) == plain(value) == "–"


def test_zero_has_no_sign_and_thousands_have_narrow_spaces():
    assert plain(-0.04, 1) == "0.0"
    assert plain(-0.0, 0) == "0"
    assert plain(12345.6, 0) == "12\u202f346"
    assert plain(1234.0, 0) == "1234"
    assert plain(-3.39e32, 2) == "−3\u00a0×\u00a010³²"
    assert plain(9.9e11, 0) == "990\u202f000\u202f000\u202f000"
    assert plain(-3.25, 1) == "−3.2"
    assert plain(1234567, -3) == "1\u202f235\u202f000"


@given(st.floats(0.001, 1e6), st.integers(1, 3))
def test_the_half_width_shows_the_digits_asked_for(half, digits):
    places = decimals_for(-half, half, digits)
    shown = round(half, places)
    assert abs(shown - half) <= 0.5 * 10.0**-places * (1 + 1e-9)
    assert 10 ** (digits - 1) * 10.0**-places <= shown * (1 + 1e-9)


@given(st.floats(-1e5, 1e5), st.floats(0.01, 1e4))
def test_a_conversion_keeps_value_and_limits_in_order(value, half):
    turned = [convert(each, "°C", True) for each in (value - half, value, value + half)]
    assert turned == sorted(turned)
    assert math.isclose(
        turned[2] - turned[0], convert(2 * half, "°C", True, difference=True), rel_tol=1e-6, abs_tol=1e-6
    )
