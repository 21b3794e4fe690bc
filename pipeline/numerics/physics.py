"""Physics of a body in the air and of hops, a published regression that rests on it, and loss of velocity."""

from __future__ import annotations

import math
from typing import TypeVar

import numpy as np
import numpy.typing as npt
import polars as pl

STANDARD_GRAVITY = 9.80665
"""Standard acceleration of free fall [m/s²], exact by convention (ISO 80000-3)."""

Quantity = TypeVar("Quantity", float, npt.NDArray[np.float64], pl.Expr)


def flight_height(flight_time_s: Quantity) -> Quantity:
    """Rise of a body that lands at the height it took off from [m].

    `flight_time_s`: time in the air [s]; a number, an array of any shape or a polars expression.
    h = g t² / 8: half the flight is a fall from rest over g (t/2)² / 2 (projectile motion).
    A landing with bent knees makes it too large; nothing here can see that.
    """
    return STANDARD_GRAVITY * flight_time_s * flight_time_s / 8


def reactive_strength(height_m: Quantity, contact_time_s: Quantity) -> Quantity:
    """Reactive strength index, height form [m/s]: jump height [m] / contact time [s]."""
    return height_m / contact_time_s


def jump_peak_power(height_m: Quantity, body_mass_kg: Quantity) -> Quantity:
    """Peak power of a jump, estimated [W]: 60.7 h[cm] + 45.3 m[kg] - 2055.

    Sayers 1999, Med Sci Sports Exerc (coefficients seen in reprints, not in the paper); the error of an
    estimate is about 350 to 560 W, and it was not fitted on heights by flight time.
    """
    return 60.7 * 100 * height_m + 45.3 * body_mass_kg - 2055


def hop_stiffness(body_mass_kg: Quantity, contact_time_s: Quantity, flight_time_s: Quantity) -> Quantity:
    """Vertical stiffness of a hop as of a mass on a spring [N/m], from its times.

    K = pi m (tf + tc) / (tc² ((tf + tc) / pi - tc / 4)); the force in contact is taken for half a sine.
    `body_mass_kg` [kg], `contact_time_s` tc [s], `flight_time_s` tf [s], both above 0. The model does not
    hold for drop jumps, nor where the heel touches the ground.
    Dalleau 2004, Int J Sports Med (from memory); derived anew: it is peak force / lowest point,
    Fmax = (pi / 2) m g (tf / tc + 1) and dy = Fmax tc² / (m pi²) - g tc² / 8, in which g falls out.
    """
    hop_s = flight_time_s + contact_time_s
    return math.pi * body_mass_kg * hop_s / (contact_time_s**2 * (hop_s / math.pi - contact_time_s / 4))


def velocity_loss(last_m_s: Quantity, fastest_m_s: Quantity) -> Quantity:
    """Loss of velocity in a set [%]: 100 (1 - last / fastest); negative where the last was faster."""
    return 100 * (1 - last_m_s / fastest_m_s)
