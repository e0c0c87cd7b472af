"""Which burns count, and which are judged together: settings of the cooker are never pooled."""

from __future__ import annotations

from dataclasses import dataclass

import pandas as pd

from kit.schema import METRICS
from kit.trial import Run

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

        Minutes held for a cook are of the burns run at a setting for it, whichever the others were run at.
        """
        rows = self.metrics[self.metrics["metric"] == metric_id]
        return rows if metric_id.startswith("band:") else rows[rows["setting"] == self.setting]

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
    return Counted(kept, metrics.loc[excluded, names].reset_index(drop=True), setting, _notes(sizes, setting))


def _notes(sizes: pd.Series, setting: str) -> tuple[str, ...]:
    if len(sizes) < 2:
        return ()
    others = ", ".join(f"{count} at '{name or 'no declared setting'}'" for name, count in sizes.items())
    return (
        f"The cooker was run at several settings ({others}). Burns at different settings are never compared with "
        f"one another: what follows is of those at '{setting or 'no declared setting'}'.",
    )
