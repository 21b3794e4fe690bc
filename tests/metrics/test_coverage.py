"""Error bars of every fitted value hold the truth in 93 to 97 % of simulated trials, and the page says so."""

from __future__ import annotations

import re

import pytest

from tests.metrics.coverage import PAGE, covered


def test_error_bars_hold_the_truth_as_often_as_the_page_says() -> None:
    found = list(covered())
    off = {metric: share for metric, _, _, share in found if not 0.93 <= share <= 0.97}
    assert not off
    assert all(n >= 1000 for _, _, n, _ in found)
    shown = re.findall(r"^\| `(.+)` \| .* \| (\d+) \| ([\d.]+) % \|$", PAGE.read_text("utf-8"), re.MULTILINE)
    assert [name for name, _, _ in shown] == [name for name, *_ in found]
    for (_, _, n, share), (_, count, percent) in zip(found, shown, strict=True):
        assert n == int(count)
        assert 100 * share == pytest.approx(float(percent), abs=0.2), "run python -m tests.metrics.coverage"
