"""What each athlete is able to do: the truth behind every exported number, from sex, age, sport and chance.

Sizes are plausible for trained youths and young adults (common practice, no source): they only have to look
right.
"""

from dataclasses import dataclass
from datetime import date

import numpy as np

from .draw import Stream, stream
from .people import Athlete, Roster

FIRST_DAY = date(2025, 9, 8)
SEASON_DAYS = 140
JUMP_OF_SPORT = {"rowing": 0.93, "handball": 1.06, "hockey": 1.0, "track cycling": 1.03}
SPEED_OF_SPORT = {"rowing": 0.96, "handball": 1.0, "hockey": 1.03, "track cycling": 0.97}
MASS_OF_SPORT = {"rowing": 1.08, "handball": 1.05, "hockey": 0.97, "track cycling": 0.96}


@dataclass(frozen=True)
class Level:
    """An athlete's level on the first day, and the share it grows by over the season."""

    jump_m: float  # countermovement jump height
    contact_s: float  # ground contact of a drop jump
    push_up_s: float  # flight time of the hands
    top_speed_m_s: float
    tau_s: float  # time constant of the sprint
    turn_s: float  # what the turn costs beside a straight 10 m
    favoured_side: float  # share by which the left is slower
    mass_kg: float
    stature_m: float
    growth: float  # share gained over the season
    grows_m_day: float  # stature


PUSH_OFF_OF_STATURE = 0.21
FORCE_AT_REST_N_KG = 34.0  # of everybody: the jumps differ by how it falls with velocity
G = 9.80665


def _youth(age: float, at_14: float) -> float:
    """`at_14` at 14 years, 1 from 19 on, straight between."""
    return float(np.interp(age, [14.0, 19.0], [at_14, 1.0]))


def level_of(athlete: Athlete, rng: Stream) -> Level:
    """One athlete's level, drawn from `rng`."""
    age, male = athlete.age(FIRST_DAY), athlete.sex == "male"
    sport = athlete.on(FIRST_DAY, "sport")
    ability = rng.normal(0.0, 1.0)  # what jumping and sprinting have in common
    own = rng.normal(0.0, 1.0, 10)
    jump = (0.38 if male else 0.29) * JUMP_OF_SPORT[sport] * _youth(age, 0.76)
    speed = (8.8 if male else 7.65) * SPEED_OF_SPORT[sport] * _youth(age, 0.86)
    mass = (77.0 if male else 63.0) * MASS_OF_SPORT[sport] * _youth(age, 0.72)
    stature = (1.81 if male else 1.68) * _youth(age, 0.92)
    return Level(
        jump_m=jump * (1 + 0.07 * ability + 0.05 * own[0]),
        contact_s=0.205 + 0.018 * own[1],
        push_up_s=(0.23 if male else 0.14) * _youth(age, 0.80) * (1 + 0.10 * own[2]),
        top_speed_m_s=speed * (1 + 0.025 * ability + 0.02 * own[3]),
        tau_s=1.12 + 0.05 * own[4] - 0.02 * ability,
        turn_s=(0.62 if male else 0.68) + 0.04 * own[5],
        favoured_side=0.012 * own[6],
        mass_kg=mass * (1 + 0.07 * own[7]),
        stature_m=stature * (1 + 0.028 * own[8]),
        growth=0.025 + 0.02 * own[9] + (0.03 if age < 18 else 0.0),
        grows_m_day=0.00014 if age < 16 else 0.00004 if age < 18 else 0.0,
    )


def push_off_m(level: Level) -> float:
    """How far the centre of mass rises while pushing off [m]."""
    return PUSH_OFF_OF_STATURE * level.stature_m


def loaded_share(level: Level, load_kg: float) -> float:
    """Height of a countermovement jump with a load, as a share of that without.

    Along the straight force-velocity line through the jump without load and `FORCE_AT_REST_N_KG`.
    """
    way, ratio = push_off_m(level), 1 + load_kg / level.mass_kg
    velocity = (G * level.jump_m / 2) ** 0.5
    slope = (G * (level.jump_m / way + 1) - FORCE_AT_REST_N_KG) / velocity
    steep = 2 * ratio / way
    root = (slope**2 - 4 * steep * (ratio * G - FORCE_AT_REST_N_KG)) ** 0.5
    loaded = (slope + root) / (2 * steep)
    return float(loaded / velocity) ** 2


def levels(seed: int, roster: Roster) -> dict[str, Level]:
    """Everybody's level by athlete_id."""
    return {one.athlete_id: level_of(one, stream(seed, "level", one.athlete_id)) for one in roster.athletes}


def form(level: Level, day: date, earlier: int, status: str) -> float:
    """The share of the first day's level on `day`: growth, learning (`earlier` sessions done), and status."""
    grown = 1 + level.growth * (day - FIRST_DAY).days / SEASON_DAYS
    learned = (0.97, 0.99)[earlier] if earlier < 2 else 1.0
    return grown * learned * {"rehab": 0.90, "modified": 0.97}.get(status, 1.0)
