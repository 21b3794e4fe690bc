"""NIST StRD nonlinear data sets with their certified values (US Government work).

Pairs (x, y) and certified values as in Misra1a.dat and BoxBOD.dat of NIST StRD, read in the source package
of lmfit 1.3.4. Both have the model y = b1 (1 - exp(-b2 x)): the speed of a sprint over time, b1 = V, b2 = 1 /
tau.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Certified:
    """A data set, the certified parameters with their SDs, the residual sum of squares."""

    x: tuple[float, ...]
    y: tuple[float, ...]
    b1: float
    b1_sd: float
    b2: float
    b2_sd: float
    residual_ss: float


MISRA1A = Certified(
    x=(77.6, 114.9, 141.1, 190.8, 239.9, 289.0, 332.8, 378.4, 434.8, 477.3, 536.8, 593.1, 689.1, 760.0),
    y=(10.07, 14.73, 17.94, 23.93, 29.61, 35.18, 40.02, 44.82, 50.76, 55.05, 61.01, 66.4, 75.47, 81.78),
    b1=2.3894212918e02,
    b1_sd=2.7070075241e00,
    b2=5.5015643181e-04,
    b2_sd=7.2668688436e-06,
    residual_ss=1.2455138894e-01,
)
BOXBOD = Certified(
    x=(1.0, 2.0, 3.0, 5.0, 7.0, 10.0),
    y=(109.0, 149.0, 149.0, 191.0, 213.0, 224.0),
    b1=2.1380940889e02,
    b1_sd=1.2354515176e01,
    b2=5.4723748542e-01,
    b2_sd=1.0455993237e-01,
    residual_ss=1.1680088766e03,
)
