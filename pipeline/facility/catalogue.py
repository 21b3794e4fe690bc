"""The metric catalogue with a facility's own figures in place of the shipped ones, and its own tests."""

from __future__ import annotations

from collections.abc import Mapping

import polars as pl

from pipeline.facility.settings import MAXIMUM, METRICS_FILE, OTHER_TESTS, MetricOverride, Metrics, OtherTest
from schemas.catalogue import CATALOGUE, FedBy, Metric, TypicalError

OWN_KEYS = ("test", "side", "method", "method_version")
"""Series keys of a test that the facility declares itself."""
_POOL_KEYS = ("test", "method")
_DRIFT_PERCENT = 1.5  # over 28 days, as for jumps
_DRIFT_SHARE = 0.01  # of the width of the soft limits, where the scale is raw
_VERIFIED = "by the facility"


def facility_catalogue(metrics: Metrics, joins: pl.DataFrame | None = None) -> dict[str, Metric]:
    """The catalogue, with limits and typical errors as the facility sets them, and a metric a declared test.

    A facility's limits hold for all series of the metric, so the shipped ones by distance or test go.
    `joins`: metric, label, joined_to, of series that are counted in others.
    """
    shipped = {name: _with(metric, metrics.overrides.get(name)) for name, metric in CATALOGUE.items()}
    maxima = tuple(
        FedBy(test=test, lift=maximum.lift, variant=maximum.variant)
        for test, maximum in metrics.maxima.items()
    )
    shipped[MAXIMUM] = shipped[MAXIMUM].model_copy(update={"fed_by": maxima})
    made = shipped | {name: _own(name, test) for name, test in metrics.tests.items()}
    joined: dict[str, dict[str, str]] = {}
    for name, label, target in () if joins is None else joins.select("metric", "label", "joined_to").rows():
        joined.setdefault(name, {})[label] = target
    for name, targets in joined.items():
        ends = tuple((label, joined_at_last(label, targets)) for label in targets)
        made[name] = made[name].model_copy(update={"joins": ends})
    return made


def joined_at_last(label: str, targets: Mapping[str, str]) -> str:
    """The series that a joined one counts in, joined itself or not; its own where joins go round."""
    seen = [label]
    while (target := targets.get(seen[-1])) is not None:
        if target in seen:
            return label
        seen.append(target)
    return seen[-1]


def _own(name: str, test: OtherTest) -> Metric:
    """The metric that a declared test is."""
    said = {
        "label",
        "unit",
        "decimals",
        "better",
        "scale",
        "summary",
        "learned",
        "min_trials",
        "hard",
        "soft",
        "smallest_worthwhile",
        "worthwhile_because",
        "domain",
    }
    return Metric(
        metric=name,
        family=OTHER_TESTS,
        series_keys=OWN_KEYS,
        pool_keys=_POOL_KEYS,
        drift=_drift(test),
        formula="as measured",
        source=test.source,
        verified=_VERIFIED,
        caution=test.caution,
        fed_by=(FedBy(test=name),),
        typical_error=_error(test),
        **test.model_dump(include=said),
    )


def _drift(test: OtherTest) -> float:
    """The least drift of a test that nothing is known of: judgement."""
    if test.scale == "log":
        return _DRIFT_PERCENT
    return _DRIFT_SHARE * (test.soft[1] - test.soft[0])


def _with(metric: Metric, own: MetricOverride | None) -> Metric:
    if own is None:
        return metric
    changes: dict[str, object] = {} if own.on is None else {"on": own.on}
    if own.hard or own.soft:
        changes |= {"hard": own.hard or metric.hard, "soft": own.soft or metric.soft, "limits": ()}
        changes |= {"soft_youth": None}
    if error := _error(own):
        changes["typical_error"] = error
    if own.smallest_worthwhile:
        changes |= own.model_dump(include={"smallest_worthwhile", "worthwhile_because"})
    return metric.model_copy(update=changes)


def _error(own: MetricOverride | OtherTest) -> TypicalError | None:
    if not (own.typical_error_trial or own.typical_error_session):
        return None
    return TypicalError(
        trial=own.typical_error_trial,
        session=own.typical_error_session,
        source=f"the facility's {METRICS_FILE}",
        verified=_VERIFIED,
        origin="facility",
    )
