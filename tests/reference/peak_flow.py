"""Peak expiratory flow of 17 people, twice by each of two meters: `pefr_bland_altman_1986.csv` [L/min].

Source: Bland & Altman 1986, Statistical methods for assessing agreement between two methods of clinical
measurement, Lancet 327:307-310, table 1, as printed on the author's page (University of York).
"""

from __future__ import annotations

from pathlib import Path

import polars as pl


def load_peak_flow() -> pl.DataFrame:
    """17 rows: subject, wright1, wright2, mini1, mini2 [L/min]."""
    return pl.read_csv(Path(__file__).with_name("pefr_bland_altman_1986.csv"))
