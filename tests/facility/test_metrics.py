"""`config/metrics.toml`: the facility's own tests, and the catalogue that they become part of."""

from __future__ import annotations

from pathlib import Path

import pytest

from pipeline.facility.catalogue import facility_catalogue
from pipeline.facility.settings import Metrics, read_metrics
from schemas.catalogue import CATALOGUE, FedBy

BROAD_JUMP = """\
[other_tests.broad_jump]
label = "broad jump"
unit = "cm"
decimals = 0
better = "higher"
hard = [50, 400]
soft = [100, 330]
source = "own protocol"
"""


def read(folder: Path, text: str) -> tuple[Metrics, list[tuple[int | None, str | None, str]]]:
    (folder / "config").mkdir()
    (folder / "config" / "metrics.toml").write_text(text, encoding="utf-8")
    metrics, problems = read_metrics(folder)
    return metrics, [(problem.line, problem.key, problem.message) for problem in problems]


def test_a_declared_test_is_a_metric_of_its_name(tmp_path: Path) -> None:
    metrics, problems = read(tmp_path, BROAD_JUMP + 'summary = "median"\ntypical_error_trial = 2.5\n')
    assert problems == []
    made = facility_catalogue(metrics)["broad_jump"]
    assert (made.family, made.unit, made.summary, made.scale) == ("other_tests", "cm", "median", "log")
    assert (made.hard, made.soft, made.learned, made.min_trials) == ((50, 400), (100, 330), True, 1)
    assert made.fed_by == (FedBy(test="broad_jump"),)
    assert made.typical_error is not None
    assert (made.typical_error.trial, made.typical_error.origin) == (2.5, "facility")
    assert set(facility_catalogue(metrics)) == {*CATALOGUE, "broad_jump"}


def test_a_declared_test_may_count_for_a_quality_where_a_direction_is_better(tmp_path: Path) -> None:
    metrics, problems = read(tmp_path, BROAD_JUMP + 'domain = "endurance"\n')
    assert problems == []
    assert facility_catalogue(metrics)["broad_jump"].domain == "endurance"


@pytest.mark.parametrize("more", ['domain = "power"\n', 'summary = "best"\n'])
def test_what_has_no_direction_counts_for_no_quality_and_has_no_best(tmp_path: Path, more: str) -> None:
    _, problems = read(tmp_path, BROAD_JUMP.replace('"higher"', '"context"') + more)
    assert [(line, key) for line, key, _ in problems] == [(1, "other_tests.broad_jump")]
    assert 'better = "context"' in problems[0][2]


def test_a_lifted_maximum_feeds_the_catalogues_metric(tmp_path: Path) -> None:
    text = '[other_tests.squat_max]\nlift = "back_squat"\nvariant = "parallel"\n'
    metrics, problems = read(tmp_path, text + '[other_tests.bench_max]\nlift = "bench_press"\n')
    assert problems == []
    catalogue = facility_catalogue(metrics)
    assert set(catalogue) == set(CATALOGUE)
    assert catalogue["one_rep_max"].fed_by == (
        FedBy(test="squat_max", lift="back_squat", variant="parallel"),
        FedBy(test="bench_max", lift="bench_press"),
    )
    assert metrics.declared == {"squat_max": "kg", "bench_max": "kg"}


def test_without_a_file_nothing_is_declared(tmp_path: Path) -> None:
    metrics, problems = read_metrics(tmp_path)
    assert problems == [] and metrics.declared == {}
    assert facility_catalogue(metrics) == CATALOGUE


@pytest.mark.parametrize(
    ("old", "new", "line", "key", "word"),
    [
        ("other_tests.broad_jump", "other_tests.jump_height", 1, "other_tests.jump_height", "catalogue"),
        ("other_tests.broad_jump", 'other_tests."Broad jump"', 1, "other_tests.Broad jump", "small letters"),
        ("other_tests.broad_jump", "broad_jump", 1, "broad_jump", "[other_tests.broad_jump]"),
        ("[other_tests.broad_jump]", "[[other_tests]]", 1, "other_tests", "a table of its own"),
        ('unit = "cm"', 'unit = "centimetre"', 3, "other_tests.broad_jump.unit", "no known unit"),
        ('unit = "cm"', 'unit = "ft_in"', 3, "other_tests.broad_jump.unit", "give 'm'"),
        ("better", "beter", 5, "other_tests.broad_jump.beter", "'better'"),
        ('"higher"', '"more"', 5, "other_tests.broad_jump.better", "higher"),
        ("soft = [100, 330]", "soft = [100, 500]", 7, "other_tests.broad_jump.soft", "within the hard"),
        ("hard = [50, 400]", "hard = [400, 50]", 6, "other_tests.broad_jump.hard", "below the upper"),
        ('source = "own protocol"', "", 1, "other_tests.broad_jump.source", "missing"),
        ('source = "own protocol"', 'lift = "squat"', 2, "other_tests.broad_jump.label", "unknown key"),
    ],
)
def test_what_is_wrong_with_a_declaration(
    tmp_path: Path, old: str, new: str, line: int, key: str, word: str
) -> None:
    assert old in BROAD_JUMP
    _, problems = read(tmp_path, BROAD_JUMP.replace(old, new, 1))
    assert (line, key) in [problem[:2] for problem in problems]
    assert any(word in problem[2] for problem in problems)


def test_a_metric_that_is_off_is_turned_on(tmp_path: Path) -> None:
    metrics, problems = read(tmp_path, "[jump_slope_of_optimum]\non = true\n[jump_pmax]\non = false\n")
    assert problems == []
    made = facility_catalogue(metrics)
    assert not CATALOGUE["jump_slope_of_optimum"].on and made["jump_slope_of_optimum"].on
    assert CATALOGUE["jump_pmax"].on and not made["jump_pmax"].on
    assert made["jump_pmax"].hard == CATALOGUE["jump_pmax"].hard
