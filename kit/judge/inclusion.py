"""Which burns count, and which are judged together: settings of the cooker are never pooled."""

from __future__ import annotations

from dataclasses import dataclass

import pandas as pd

from kit.schema import METRICS
from kit.trial import Run

NEVER = "never"
OF_A_THRESHOLD = ("time_above", "longest_spell", "cost")
"""How long, given that it was reached: burns that did not reach the threshold have no such value."""
CONDITIONS = ("kind", "cooker", "setting", "ambient_c", "wind_m_s", "humidity_pct", "charge_g", "charge_l")


@dataclass(frozen=True)
class Counted:
    """The metrics of the burns that count, told apart from those that are only shown.

    Attributes
    ----------
    metrics
        schema.METRICS and the conditions of each burn, of the burns that count.
    excluded
        schema.METRICS of the burns left out with a reason.
    setting
        The declared setting whose burns are compared; '' where the trial knows one setting only.
    notes
        What a reader should know of the choice.
    """

    metrics: pd.DataFrame
    excluded: pd.DataFrame
    setting: str
    notes: tuple[str, ...]

    def compared(self, metric_id: str) -> pd.DataFrame:
        """Return the rows of a metric whose burns are compared with one another.

        Minutes held for a cook are of the burns run at a setting for it, whichever the others were run at. A burn that
        never reached the threshold is 'never' in every metric of how long it was above it.
        """
        rows = self.metrics[self.metrics["metric"] == metric_id]
        base, _, argument = metric_id.partition(":")
        if base == "band":
            return rows.assign(status=rows["status"].replace("at most", NEVER))  # a zero is no minute held
        if base in OF_A_THRESHOLD:
            reached = self.metrics[self.metrics["metric"] == f"time_to:{argument}"].set_index("burn")[
                "status"
            ]
            short = rows["burn"].map(reached).eq(NEVER) | (not len(reached) and rows["status"].eq("at most"))
            rows = rows.assign(status=rows["status"].mask(short, NEVER))
        return rows[rows["setting"] == self.setting]

    @property
    def burns(self) -> set[str]:
        """Burns that are compared."""
        return set(self.metrics.loc[self.metrics["setting"] == self.setting, "burn"])


def counted_burns(metrics: pd.DataFrame, run: Run) -> Counted:
    """Part the burns that count from those left out, and choose the setting whose burns are compared.

    Burns at different settings answer different questions; where a trial has several, the one with most burns is
    compared, and the others serve the cooks that were declared for them.
    """
    sheet = run.burns.set_index("burn")
    left_out = set(sheet.index[sheet["state"] == "excluded"])
    excluded = metrics["burn"].isin(left_out)
    columns = [name for name in (*CONDITIONS, *run.trial.model.covariates) if name in sheet]
    conditions = sheet[list(dict.fromkeys(columns))]
    kept = metrics[~excluded].join(conditions.drop(columns=["kind"], errors="ignore"), on="burn")
    minutes = kept[kept["metric"] == "ready"].set_index("burn")["value"]
    kinds = [run.trial.kind_of(fuel) for fuel in kept["fuel"]]
    kept = kept.assign(kind=kinds, ready=kept["burn"].map(minutes)).reset_index(drop=True)
    sizes = kept.drop_duplicates("burn")["setting"].value_counts(sort=False)
    setting = str(sizes.idxmax()) if len(sizes) else ""
    names = [column.name for column in METRICS]
    notes = (*_setting_notes(sizes, setting), *_day_notes(metrics))
    return Counted(kept, metrics.loc[excluded, names].reset_index(drop=True), setting, notes)


def _day_notes(metrics: pd.DataFrame) -> tuple[str, ...]:
    left, of_all = metrics.loc[metrics["day"] == "", "burn"].nunique(), metrics["burn"].nunique()
    if not left:
        return ()
    which = "No burn has a day" if left == of_all else f"{left} of {of_all} burns have no day"
    return (
        f"{which}, neither in the burn sheet nor in its log: what days differ by is left in what burns differ by.",
    )


def _setting_notes(sizes: pd.Series, setting: str) -> tuple[str, ...]:
    if len(sizes) < 2:
        return ()
    others = ", ".join(f"{count} at '{name or 'no declared setting'}'" for name, count in sizes.items())
    return (
        f"The cooker was run at several settings ({others}). Burns at different settings are never compared with "
        f"one another: what follows is of those at '{setting or 'no declared setting'}'.",
    )
