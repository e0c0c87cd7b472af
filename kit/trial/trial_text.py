"""The trial file that `start` writes: this trial's own facts, and where every other key is explained."""

from __future__ import annotations

import re
import textwrap
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from kit.page.cautions import cautions_short
from kit.trial.decode import toml_text

WIDTH = 110

_HEAD = """\
# What is tested and how. `repeatburn keys` explains every key that may stand here, `repeatburn keys WORD` one of them.
# Temperatures are in °C unless they carry a unit, as "230 °F".
{cautions}

[trial]
title = ""                   # what the report is called
question = ""                # what you want to know, in one sentence
interests = ""               # who paid and who gave the fuel: readers will ask
time_zero = "lit"            # when the clock of a burn starts: "lit", "tipped" or "lid on"
{probe}
[metrics]
thresholds = [110, 180, 260]
primary = ["peak", "time_above:110"]

# The smallest difference that matters to a cook. Written down before the first burn: afterwards it proves little.
[margins]
# peak = "15 °C"
# "time_above:110" = "10 %"

# `id` is the word in the burn sheet's column fuel. More: name, brand, kind, price, bag_kg (`repeatburn keys fuel`).
"""


@dataclass(frozen=True)
class DraftLogger:
    """What is known of one logger's files when a trial file is drafted.

    Attributes
    ----------
    id, files
        A name, and the files or patterns of files that are its own.
    columns
        Heading in its files by probe.
    keys
        Further keys of its [[logger]] table.
    """

    id: str
    files: tuple[str, ...] = ()
    columns: Mapping[str, str] = field(default_factory=dict)
    keys: Mapping[str, str | float | bool] = field(default_factory=dict)


def trial_text(fuels: Sequence[str] = (), probe: str = "", loggers: Sequence[DraftLogger] = ()) -> str:
    """Return the text of a trial file: a table a fuel and a logger, and little else.

    Parameters
    ----------
    fuels
        Ids of the fuels; without any, the file shows how one is declared.
    probe
        Id of the main probe; '' where it is not known.
    loggers
        What was found of the files.
    """
    lines = [f"[[fuel]]\nid = {toml_text(fuel)}\n" for fuel in fuels]
    lines = lines or ['# [[fuel]]\n# id = "my-fuel"\n']
    if loggers:
        lines.append("\n# Which heading of a logger's files is which probe, and what its files do not say.\n")
        lines += map(_logger, loggers)
    main = (
        f"probe = {toml_text(probe)}".ljust(29) + "# the main probe, which metrics are of\n" if probe else ""
    )
    return _HEAD.format(cautions=_cautions(), probe=main) + "".join(lines)


def _cautions() -> str:
    return textwrap.fill(" ".join(cautions_short()), WIDTH, initial_indent="# ", subsequent_indent="# ")


def _logger(logger: DraftLogger) -> str:
    lines = ["[[logger]]", f"id = {toml_text(logger.id)}"]
    if logger.files:
        lines.append(f"files = [{', '.join(map(toml_text, logger.files))}]")
    if logger.columns:
        pairs = ", ".join(f"{_bare(probe)} = {toml_text(name)}" for probe, name in logger.columns.items())
        lines.append(f"columns = {{ {pairs} }}")
    lines += [f"{key} = {_value(value)}" for key, value in logger.keys.items()]
    return "\n".join(lines) + "\n"


def _bare(key: str) -> str:
    return key if re.fullmatch("[A-Za-z0-9_-]+", key) else toml_text(key)


def _value(value: str | float | bool) -> str:
    if isinstance(value, bool):
        return str(value).lower()
    return f"{value:g}" if isinstance(value, int | float) else toml_text(value)
