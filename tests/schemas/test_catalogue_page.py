"""The page of metrics is made from the catalogue, and says of each metric all that it must."""

from __future__ import annotations

from pathlib import Path

import pytest

from schemas import catalogue_page
from schemas.catalogue import CATALOGUE, Metric
from schemas.catalogue_page import PAGE, main, page


def test_the_page_is_up_to_date() -> None:
    assert main(["--check"]) == 0


def test_an_outdated_page_is_told(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    old = tmp_path / "catalogue.md"
    old.write_text(PAGE.read_text(encoding="utf-8") + "more\n", encoding="utf-8", newline="\n")
    monkeypatch.setattr(catalogue_page, "PAGE", old)
    assert main(["--check"]) == 1
    assert "not up to date" in capsys.readouterr().err
    assert main([]) == 0
    assert old.read_bytes() == PAGE.read_bytes()
    assert main(["--check"]) == 0


@pytest.mark.parametrize("metric", CATALOGUE.values(), ids=lambda metric: metric.metric)
def test_everything_about_a_metric_is_on_the_page(metric: Metric) -> None:
    of_it = page().partition(f"### `{metric.metric}`: {metric.label}\n")[2].partition("\n### ")[0]
    for text in (metric.formula, metric.source, metric.verified, metric.caution, metric.unit, metric.summary):
        assert text in of_it
    assert all(f"`{key}`" in of_it for key in metric.series_keys)
    assert f"{metric.hard[0]:g} to {metric.hard[1]:g}" in of_it
    error = metric.typical_error
    assert ("borrowed from: " in of_it) == (error is not None)
    assert error is None or error.source in of_it
    assert ("Off by default" in of_it) == (not metric.on)
