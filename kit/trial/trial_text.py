"""The trial file that `start` writes: every table explained, what has to be filled in marked."""

from __future__ import annotations

from collections.abc import Sequence

_HEAD = """\
# The trial file: what is tested and how. Lines that begin with # are remarks; take the # away to use a line.
# Temperatures are in °C unless they carry a unit, as "230 °F". Run `repeatburn check` after each change:
# it names every line that cannot be right.
# Write margins, thresholds and primary metrics down before the first burn: chosen afterwards they prove
# little.
{begin}
[trial]
title = ""              # what the report is called
question = ""           # what you want to know, in one sentence
# operator = ""         # who lights and measures
# place = ""
# interests = ""        # who paid, who gave the fuel; readers will ask
# cooker = "steel drum" # several: cooker = ["A", "B"], then the burn sheet says which
# probe = "grate"       # the main probe, one of [[probe]]; else the first listed
time_zero = "lit"       # when the clock of a burn starts: "lit", "tipped" or "lid on"
# stop_rule = "lid temperature below 60 °C"
# timezone = "Europe/Berlin"
# currency = "EUR"
# show = "metric"       # "metric", "us" or "both"
# control_fuel = "…"    # the id of the fuel that every other is compared with
# corrects = "…"        # the earlier report that this one corrects
"""

_FUELS = """
# The fuels, a table each. `id` is the word in the burn sheet's column fuel; all else can wait.
{fuels}\
#
# The rest of what a fuel can say:
# name = "alder lump"           # as people read it
# brand = "…"
# kind = "lump"                 # lump, briquette, white charcoal …: kinds are compared with kinds
# wood = "alder"
# additives = "starch"
# price = 11.50                 # of a bag, in the currency above
# price_date = 2026-02-20
# shop = "…"
# bag_kg = 5
# obtained = "bought"           # or "given"
# lab = {{ moisture = 6.1, ash = 3.0, fixed_carbon = 80, method = "…" }}   # per cent of mass
"""

_REST = """
# What is equal between burns.
# [charge]
# by = "mass"                   # "mass", "volume" or "full starter"
# grams = 400
# tolerance_g = 4
# litres = 2

# What is measured of a burn. Metrics: peak, peak_raw, time_to:110, time_above:110, longest_spell:110,
# plateau, steadiness, mean_rate, departures, degree_hours, near_ambient, cool_down, ready, burn_rate, ash,
# unburnt, bulk_density, cost:110, band:COOK, and columns you declare. Another probe's: "peak@lid".
# [metrics]
# thresholds = [110, 180, 260]
# primary = ["peak", "time_above:110"]      # the few that verdicts are about
# declared = [ {{ column = "sparks", unit = "", scale = "plain", better = "less" }} ]

# The smallest difference that matters to a cook: degrees for temperatures, per cent for times and costs.
# Without one, nothing can be called the same. Keys that hold a colon stand in quotes.
# [margins]
# peak = "15 °C"
# "time_above:110" = "10 %"

# The model of the repeats.
# [model]
# spread = "common"             # or "by fuel", "by kind": is one fuel more variable than another?
# covariates = ["wind_m_s"]     # columns of the burn sheet that the comparison allows for
# confidence = 0.95
# borrow_from = ["../last-autumn"]   # run folders whose repeatability is borrowed for burns not repeated

# Limits of the cleaning rules; all have defaults. Readings are marked, never deleted.
# [cleaning]
# spike_k = 30

# What there is to spend, for `repeatburn plan`.
# [plan]
# bags = 3                      # a fuel
# burns = 2                     # a bag
# days = 12
# hours = 9                     # a day
# budget = 400
# seed = 1
# stages = [12, 24, 36]         # look at the results after so many burns

# Bags, if you know more of them than the burn sheet says.
# [[bag]]
# id = "1"
# fuel = "…"
# lot = "…"
# bought = 2026-02-20
# price = 11.50
# weighed_kg = 4.96
# fines_g = 180

# How the cooker was run, if in more than one way; the burn sheet's column setting says which.
# [[setting]]
# id = "full"
# vents = "all open"
# target = "low and slow"       # the name of a [[cook]], or a temperature

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
# class = 1                     # of the thermocouple
# resolution = 0.1
# time_constant_s = 4           # only if it was measured
# ice_reads = 0.3
# boil_reads = 99.1
# altitude_m = 240              # or pressure_hpa = 985

# What cannot be seen from the logger's files; `check` asks for what it needs.
# [[logger]]
# id = "A"
# files = ["*.csv"]             # which files of logs/ are this logger's
# columns = {{ grate = "Temperature 1" }}     # probe = heading in the file
# clock_offset_s = 0
# unit = "°C"
# day_first = true
"""


def trial_text(fuels: Sequence[str], has_files: bool) -> str:
    """Return the text of a trial file for fuels that were guessed, none of them declared yet."""
    begin = (
        "#\n# To begin: 1. In burns.csv, confirm each fuel: take its '?' away, or write the right one.\n"
        "#           2. Below, take the # away before [[fuel]] and id of each fuel that was burned.\n"
        "#           3. Run `repeatburn check` on this folder.\n"
        if has_files
        else "#\n# To begin: declare the fuels below; write a row a burn into burns.csv: burn, fuel, log.\n"
    )
    tables = "".join(f'# [[fuel]]\n# id = "{fuel}"\n' for fuel in fuels or ["my-fuel"])
    return _HEAD.format(begin=begin) + _FUELS.format(fuels=tables) + _REST.format()
