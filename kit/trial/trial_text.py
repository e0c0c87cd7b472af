"""The trial file that `start` writes: every key explained in plain words, what has to be filled in marked."""

from __future__ import annotations

import re
import textwrap
from collections.abc import Iterable, Sequence
from typing import Any

from pydantic import BaseModel
from pydantic.fields import FieldInfo

from kit.trial.cleaning import Cleaning
from kit.trial.decode import toml_text
from kit.trial.measuring import Measuring

WIDTH = 104

_HEAD = """\
# The trial file: what is tested and how. Lines that begin with # are remarks; take the # away to use a line.
# Temperatures are in °C unless they carry a unit, as "230 °F". Run `repeatburn check` after each change: it
# names every line that cannot be right.
# Write margins, thresholds and primary metrics down before the first burn: chosen afterwards they prove little.
#
{begin}
[trial]
title = ""              # what the report is called
question = ""           # what you want to know, in one sentence
time_zero = "lit"       # when the clock of a burn starts: "lit", "tipped" or "lid on"
# operator = "…"        # who lights and measures
# place = "…"
# interests = "…"       # who paid, who gave the fuel: readers will ask
# cooker = "steel drum" # several: cooker = ["A", "B"]; then the burn sheet says which
# probe = "grate"       # the main probe, one of [[probe]]; else the first listed
# stop_rule = "grate below 60 °C"
# timezone = "Europe/Berlin"
# currency = "EUR"
# show = "metric"       # "metric", "us" or "both"
# control_fuel = "…"    # the id of the fuel that every other is compared with
# corrects = "…"        # the earlier report that this one corrects

# The fuels, a table each. `id` is the word in the burn sheet's column fuel; all else can wait.
{fuels}\
#
# The rest of what a fuel can say:
# name = "alder lump"   # as people read it
# brand = "…"
# kind = "lump"         # lump, briquette, white charcoal …: kinds are compared with kinds
# wood = "alder"
# additives = "starch"
# price = 11.50         # of a bag, in the currency above
# price_date = 2026-02-20
# shop = "…"
# bag_kg = 5
# obtained = "bought"   # or "given"
# lab = {{ moisture = 6.1, ash = 3.0, fixed_carbon = 80, method = "…" }}     # per cent of its mass
"""

_MIDDLE = """
# What is equal between burns.
# [charge]
# by = "mass"           # "mass", "volume" or "full starter"
# grams = 400
# tolerance_g = 4
# litres = 2

# What is measured of a burn. Metrics: peak, peak_raw, time_to:110, time_above:110, longest_spell:110, plateau,
# steadiness, mean_rate, departures, degree_hours, near_ambient, cool_down, ready, burn_rate, ash, unburnt,
# bulk_density, cost:110, band:COOK, and columns you declare. Of another probe: "peak@lid".
# [metrics]
# thresholds = [110, 180, 260]
# primary = ["peak", "time_above:110"]    # the few that verdicts are about
# declared = [ { column = "sparks", unit = "", scale = "count", better = "less" } ]
# A scale is "plain" (compared as differences), "log" (as ratios) or "count" (ratios of numbers of
# things; 0 is 'at most 1').
# How they are measured; all of these have the defaults shown and stand in [metrics] too.
"""

_MARGINS = """
# The smallest difference that matters to a cook: degrees for temperatures, per cent for times, masses, costs.
# Without one, nothing can be called the same. A key that holds a colon stands in quotes.
# [margins]
# peak = "15 °C"
# "time_above:110" = "10 %"

# The model of the repeats.
# [model]
# spread = "common"     # or "by fuel", "by kind": is one fuel more variable than another?
# covariates = ["wind_m_s"]               # columns of the burn sheet that comparisons allow for
# confidence = 0.95
# borrow_from = ["../last-autumn"]        # run folders whose repeatability stands in for burns not repeated

# Limits of the cleaning rules. A rule marks readings and never deletes one.
# [cleaning]
"""

_REST = """
# What there is to spend, for `repeatburn plan`.
# [plan]
# bags = 3              # of each fuel
# burns = 2             # of each bag
# days = 12
# hours = 9             # a day
# budget = 400          # in the currency above
# seed = 1              # of the random order
# stages = [12, 24, 36] # look at the results after so many burns, and at no other time

# Bags, where more is known of them than the burn sheet says.
# [[bag]]
# id = "1"
# fuel = "…"            # the id of a fuel
# lot = "…"
# bought = 2026-02-20
# price = 11.50
# weighed_kg = 4.96
# fines_g = 180

# How the cooker was run, if in more than one way; the burn sheet's column setting says which.
# [[setting]]
# id = "full"
# vents = "all open"
# target = "low and slow"                 # the name of a [[cook]], or a temperature

# Bands of temperature to judge by, for burns that were run to hold them.
# [[cook]]
# name = "low and slow"
# low = 107
# high = "300 °F"
# hours = 6

# Probes, the main one first.
# [[probe]]
# id = "grate"
# place = "grate level, centre"
# class = 1             # tolerance class of the thermocouple
# resolution = 0.1      # smallest step it shows
# time_constant_s = 4   # only if it was measured
# ice_reads = 0.3       # what it reads in melting ice
# boil_reads = 99.1     # what it reads in boiling water
# altitude_m = 240      # where the water boiled; or pressure_hpa = 985, the station's own

# What cannot be seen from a logger's files; leave a key out unless `check` asks for it.
# [[logger]]
# id = "A"
# files = ["*.csv"]     # which files of logs/ are this logger's
# columns = { grate = "Temperature 1" }   # probe = heading in the file
# clock_offset_s = 0    # how much its clock was behind
# delimiter = ";"
# decimal = ","
# encoding = "utf-8"
# header_row = 3        # the line with the headings, counted from 1; 0 for none
# time_column = "Time"  # several: ["Date", "Time"]
# time_unit = "s"       # of a column of numbers
# time_format = "%d/%m/%Y %H:%M"
# day_first = true      # 05/06 is the fifth of June
# step_s = 10           # seconds between rows of a log without times
# timezone = "Europe/Berlin"
# unit = "°C"
# unit_per_row = true   # every row by its own unit
# split_by = "Trial"    # the column that parts several logs in one file
# clock_change = "dst"  # or "restart": why its clock jumps back
"""


def trial_text(fuels: Sequence[str], has_files: bool) -> str:
    """Return the text of a trial file for fuels that were guessed, none of them declared yet."""
    begin = (
        "# To begin: 1. In burns.csv, confirm each fuel: take its '?' away, or write the right one.\n"
        "#           2. Below, take the # away before [[fuel]] and id of each fuel that was burned.\n"
        "#           3. Run `repeatburn check` on this folder.\n"
        if has_files
        else "# To begin: declare the fuels below; write a row a burn into burns.csv: burn, fuel, log.\n"
    )
    tables = "".join(f"# [[fuel]]\n# id = {toml_text(fuel)}\n" for fuel in fuels or ["my-fuel"])
    head = _HEAD.format(begin=begin, fuels=tables)
    return head + _MIDDLE + limits_text(Measuring) + _MARGINS + limits_text(Cleaning) + _REST


def limits_text(model: type[BaseModel]) -> str:
    """Return each key of a table of limits as a remark: what it means, then the key with its default."""
    return "".join(
        "\n".join([*_remark(field.description or ""), f"# {key} = {_usual(field)}", ""])
        for key, field in model.model_fields.items()
    )


def _remark(words: str) -> Iterable[str]:
    return textwrap.wrap(" ".join(words.split()), WIDTH, initial_indent="#   ", subsequent_indent="#   ")


def _usual(field: FieldInfo) -> str:
    """Return a key's default, or the example in its description where it has none."""
    if field.get_default() is not None:
        return _value(field.get_default())
    example = re.search(r"\[[0-9., ]+\]|[0-9.]+", field.description or "")
    return example[0] if example else "…"


def _value(value: Any) -> str:
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, tuple):
        return f"[{', '.join(map(_value, value))}]"
    return f"{value:g}" if isinstance(value, float | int) else toml_text(str(value))
