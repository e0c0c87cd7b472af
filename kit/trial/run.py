"""A run folder opened: the trial, its burns, events and scores, or every fault of the folder at once."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Final, Literal

import numpy as np
import pandas as pd
from pydantic import ValidationError

from kit.errors import Faults, KitError, did_you_mean
from kit.page.html_tables import as_table
from kit.page.text import element, join
from kit.schema import INPUTS
from kit.trial.decode import fault, path_of, read_text, shown, toml_text, without_hidden
from kit.trial.models import ALL_ALIKE, Declared, Trial
from kit.trial.plan_file import Plan, read_plan
from kit.trial.run_sheets import LOGS, read_burn_sheet, read_events, read_scores, stays_inside
from kit.trial.toml_reader import key_problems
from kit.trial.trial_file import TRIAL, margin_as_written, read_trial

OWN_WORDS = "notes.md"
BORROWED: Final = "borrowed"
"""Folder of a bundle that holds what its trial borrowed from others."""
FILES = (*INPUTS, LOGS)


@dataclass(frozen=True, eq=False, repr=False)
class Run:
    """A run folder as it was found.

    Attributes
    ----------
    folder
        Its path, absolute.
    trial
        What is tested and how.
    burns
        Columns of schema.BURNS, further ones as they stand, and 'state': 'done', 'planned' or 'excluded'.
    events, scores
        Columns of schema.EVENTS and schema.SCORES and further ones; without rows where there is no sheet.
    notes
        What a person should know and that is no fault, a sentence each.
    plan
        The plan as written, None where there is none.
    own_words
        What the tester wrote into notes.md, as Markdown; '' where there is none.
    """

    folder: Path
    trial: Trial
    burns: pd.DataFrame
    events: pd.DataFrame
    scores: pd.DataFrame
    notes: tuple[str, ...] = ()
    plan: Plan | None = None
    own_words: str = ""

    def __repr__(self) -> str:
        counts = ", ".join(f"{n} {state}" for state, n in self.burns["state"].value_counts().items())
        name = self.trial.title or self.folder.name
        return f"<Run '{name}': burns {counts or 'none'}; {len(self.trial.fuels)} fuels>"

    def _repr_html_(self) -> str:
        title = element("strong", self.trial.title or self.folder.name)
        words = [element("p", title, ". ", self.trial.question), *(element("p", note) for note in self.notes)]
        names = ["burn", "fuel", "bag", "day", "cooker", "charge_g", "ambient_c", "wind_m_s", "state"]
        burns = self.burns.filter(names).replace("", None).dropna(axis=1, how="all")
        note = "All columns are in .burns."
        return str(join([*words, as_table(burns, "The burn sheet", note=note, rows=12)]))

    @property
    def is_interim(self) -> bool:
        """Whether planned burns are still to be done."""
        return bool((self.burns["state"] == "planned").any())

    def in_state(self, state: str) -> pd.DataFrame:
        """Return the burns that are 'done', 'planned' or 'excluded'."""
        return self.burns[self.burns["state"] == state]

    def without(self, burn: str, reason: str) -> Run:
        """Return the run with a burn left out of everything that counts, and the reason why.

        Raises
        ------
        KitError
            Where there is no such burn.
        """
        here = self.burns["burn"] == burn
        if not here.any():
            hint = did_you_mean(burn, self.burns["burn"])
            raise KitError.refuse("without", f"'{burn}'", "a burn of the sheet", hint)
        burns = self.burns.copy()
        burns.loc[here, ["excluded", "state"]] = [reason, "excluded"]
        return replace(self, burns=burns, notes=(*self.notes, f"Burn {burn} was left out by hand: {reason}."))

    def with_margin(self, metric: str, margin: str) -> Run:
        """Return the run with another smallest difference that matters: `run.with_margin("peak", "20 °C")`.

        Raises
        ------
        KitError
            Where the metric is unknown, or the margin cannot be read.
        """
        read = margin_as_written(self.trial.metric(metric), margin)
        before = self.trial.margins[metric].written if metric in self.trial.margins else "none"
        trial = replace(self.trial, margins={**self.trial.margins, metric: read})
        note = f"The margin of {metric} was set to {margin} by hand; trial.toml has {before}."
        return replace(self, trial=trial, notes=(*self.notes, note))

    def with_metric(
        self,
        name: str,
        values: Mapping[str, float],
        unit: str = "",
        scale: Literal["plain", "log", "count"] = "plain",
        better: Literal["more", "less", ""] = "",
    ) -> Run:
        """Return the run with a metric of one's own, as if the burn sheet had it as a declared column.

        Parameters
        ----------
        name
            Its id: a plain name, which becomes the column's heading.
        values
            Its value by burn; a pandas Series will do. Burns without one stay blank.
        unit, scale, better
            As in [metrics] of trial.toml, key declared.

        Raises
        ------
        KitError
            Where the name, or one of these, cannot be, or a value is no number.
        """
        try:
            declared = Declared(column=name, unit=unit, scale=scale, better=better)
        except ValidationError as error:
            raise KitError(key_problems(error, "with_metric, ", Declared)) from None
        faults, given = Faults(), self.burns["burn"].astype(object).map(dict(values))
        numbers = pd.to_numeric(given, errors="coerce").astype(float)
        amiss = np.isinf(numbers) | (numbers.isna() & given.notna())
        for burn, value in zip(self.burns.loc[amiss, "burn"], given[amiss], strict=True):
            faults.refuse(f"with_metric, burn {burn}", *fault("no number given", value=shown(value)))
        faults.settle()
        burns = self.burns.assign(**{declared.column: numbers})
        others = tuple(each for each in self.trial.declared if each.column != declared.column)
        trial = replace(self.trial, declared=(*others, declared))
        return replace(self, trial=trial, burns=burns)


def open_run(path: str | Path) -> Run:
    """Open a run folder.

    Parameters
    ----------
    path
        The folder that holds trial.toml, burns.csv and logs/.

    Raises
    ------
    KitError
        With every fault of the folder, 'ask' where a fact has to be filled in.

    Examples
    --------
    >>> run = open_run(demo)
    >>> run.trial.control_fuel, len(run.burns)
    ('pressed', 36)
    """
    run, faults = look_into(path)
    faults.settle()
    assert run is not None
    return run


def look_into(path: str | Path) -> tuple[Run | None, Faults]:
    """Read what can be read of a run folder, and gather the faults of its sheets; logs are not looked at.

    Returns
    -------
    tuple
        The run, without the burns whose place in the logs cannot be told; None where there is no trial file or no
        burn sheet to go by. And the faults of trial.toml, burns.csv, events.csv, scores.csv, notes.md and plan.toml.

    Raises
    ------
    KitError
        Where there is no such folder.
    """
    folder = path_of(path, "a run folder").absolute()
    if not folder.is_dir():
        raise KitError.refuse(str(folder), *fault("a file" if folder.is_file() else "no folder"))
    faults = Faults()
    for name in FILES:
        if not stays_inside(folder, folder / name):
            faults.refuse(name, *fault("a link"))
    if len(faults):  # nothing outside is ever read
        return None, faults
    path = folder / TRIAL
    trial = read_trial(path, faults) if path.is_file() else None
    burns, unreadable = read_burn_sheet(folder, trial, faults)
    events = read_events(folder, burns, None if "probe" in faults.lost else trial, faults)
    scores = read_scores(folder, burns, faults)
    if not path.is_file():
        kin = sorted(each.name for each in folder.iterdir() if each.stem.casefold() == "trial")
        fuels = [] if burns is None else [fuel for fuel in burns["fuel"].unique() if fuel]
        # lines that the burn sheet's fuels make enough to begin with
        lines = "".join(f"\n[[fuel]]\nid = {toml_text(fuel)}" for fuel in fuels) or '\n[[fuel]]\nid = "…"'
        hint = f"Is it {shown(kin[0])}? Rename it. Else save" if kin else "Save"
        faults.ask(TRIAL, *fault("no trial", hint=hint, lines=lines))
    if trial is not None and trial.model.borrow_from != (ALL_ALIKE,):
        names = trial.model.borrow_from
        for name, place in zip(names, lender_folders(folder, names), strict=True):
            if not place.is_dir():
                faults.refuse("trial.toml, [model], key borrow_from", *fault("no lender", name=shown(name)))
    plan, own_words = None, ""
    with faults.gathering():
        plan = read_plan(folder)
    if (folder / OWN_WORDS).is_file():
        with faults.gathering():
            own_words = without_hidden(read_text(folder / OWN_WORDS, OWN_WORDS)[0]).strip()
    if trial is None or burns is None:
        return None, faults
    burns = burns.drop(index=unreadable).reset_index(drop=True)
    return Run(folder, trial, burns, events, scores, tuple(faults.notes), plan, own_words), faults


def lender_folders(folder: str | Path, names: Iterable[str]) -> list[Path]:
    """Return where the run folders that a trial borrows from stand: as copies in a bundle, else as it names them.

    "all alike" names every folder with a report that stands beside this one; whether it was measured alike is for
    whoever borrows to judge.
    """
    root, listed = Path(folder), list(names)
    if listed == [ALL_ALIKE]:
        copies = sorted((root / BORROWED).glob("[0-9]*"), key=lambda place: int(place.name))
        if found := [lent for place in copies if (lent := _copy(root, int(place.name)))]:
            return found
        own = root.resolve()
        there = sorted(place for place in own.parent.iterdir() if place != own and place.is_dir())
        return [place for place in there if any(place.glob("reports/[!.]*/results.json"))]
    return [_copy(root, place) or root / name for place, name in enumerate(listed, 1)]


def _copy(folder: Path, place: int) -> Path | None:
    return next((each for each in (folder / BORROWED / str(place)).glob("*") if each.is_dir()), None)


def fuel_ids(path: str | Path, *words: str) -> tuple[str, ...]:
    """Return the ids of fuels that were given by id or by name.

    Raises
    ------
    KitError
        With every fault of the folder, or every word that is no fuel of it.
    """
    run = open_run(path)
    by_words = {fuel.label.casefold(): fuel.id for fuel in run.trial.fuels}
    by_words |= {str(fuel).casefold(): str(fuel) for fuel in run.burns["fuel"]}
    by_words |= {fuel.id.casefold(): fuel.id for fuel in run.trial.fuels}
    faults = Faults()
    for word in words:
        if word.casefold() not in by_words:
            found, hint = "no such fuel in this folder", did_you_mean(word.casefold(), by_words)
            faults.refuse(f"the fuel {shown(word)}", found, "a fuel's id or name", hint)
    faults.settle()
    return tuple(by_words[word.casefold()] for word in words)
