"""Made-up traces of a bar with known answers."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from pipeline.numerics import repetitions
from pipeline.numerics.lines import Floats

SHAPES = {
    # Velocity over the share of a lift's time, of mean 1: how hard it begins and ends.
    "sine": lambda u: np.pi / 2 * np.sin(np.pi * u),
    "smooth": lambda u: 30 * u**2 * (1 - u) ** 2,
    "flat": lambda u: np.clip(np.minimum(u, 1 - u) / 0.2, 0, 1) / 0.8,
}


@dataclass
class Bar:
    """A bar that is moved about; `truth`: mean velocity, peak velocity [m/s] and way [m] of each lift.

    `middles`: when each lift is half done [s].
    """

    hz: int
    heights: list[Floats] = field(default_factory=lambda: [np.zeros(1)])
    truth: list[tuple[float, float, float]] = field(default_factory=list)
    middles: list[float] = field(default_factory=list)

    def rest(self, seconds: float) -> Bar:
        """The bar stands."""
        self.heights.append(np.full(int(seconds * self.hz), self.heights[-1][-1]))
        return self

    def move(self, way_m: float, seconds: float, shape: str = "smooth") -> float:
        """The bar goes `way_m` up (down where negative); gives its peak velocity."""
        u = np.arange(round(seconds * self.hz) + 1) / (seconds * self.hz)
        velocity = SHAPES[shape](u) * way_m / seconds
        path = np.concatenate([[0.0], np.cumsum((velocity[1:] + velocity[:-1]) / 2) / self.hz])
        path *= way_m / path[-1]
        self.heights.append(self.heights[-1][-1] + path[1:])
        return float(np.abs(velocity).max())

    def lift(self, way_m: float, seconds: float, shape: str = "smooth", lowered: str = "first") -> Bar:
        """A repetition, lowered `first` or `after`, and a rest."""
        if lowered == "first":
            self.move(-way_m, 1.2)
        peak = self.move(way_m, seconds, shape)
        self.middles.append((sum(part.size for part in self.heights) - 1) / self.hz - seconds / 2)
        self.truth.append((way_m / seconds, peak, way_m))
        self.rest(0.7)
        if lowered == "after":
            self.move(-way_m, 1.0)
            self.rest(0.8)
        return self

    def trace(self, noise_m: float = 0.0, drift_m_s: float = 0.0, seed: int = 3) -> tuple[Floats, Floats]:
        """Times [s] and positions [m] as a sensor with noise and drift writes them."""
        height = np.concatenate(self.heights)
        time = np.arange(height.size) / self.hz
        draws = np.random.default_rng(seed).standard_normal(height.size)
        return time, height + noise_m * draws + drift_m_s * time


def squats(hz: int, shape: str = "smooth", seconds: tuple[float, ...] = (0.6, 0.8, 1.2)) -> Bar:
    """Off the hooks, one repetition after the other, and back onto the hooks."""
    bar = Bar(hz).rest(1.0)
    bar.move(0.06, 0.6)
    bar.rest(1.5)
    for number, one in enumerate(seconds):
        bar.lift(0.55 - 0.01 * number, one, shape)
    bar.rest(0.5)
    bar.move(-0.06, 0.5)
    return bar.rest(1.0)


def find_repetitions(time_s: Floats, position_m: Floats) -> repetitions.Repetitions:
    """The repetitions of a single trace."""
    return repetitions.find_repetitions(time_s, position_m, np.array([0, time_s.size]))
