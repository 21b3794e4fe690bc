"""The metric catalogue with a facility's own figures in place of the shipped ones."""

from __future__ import annotations

from collections.abc import Mapping

from pipeline.facility.settings import MetricOverride
from schemas.catalogue import CATALOGUE, Metric, TypicalError


def facility_catalogue(overrides: Mapping[str, MetricOverride]) -> dict[str, Metric]:
    """The catalogue, with limits and typical errors as the facility sets them.

    A facility's limits hold for all series of the metric, so the shipped ones by distance or test go.
    """
    return {name: _with(metric, overrides.get(name)) for name, metric in CATALOGUE.items()}


def _with(metric: Metric, own: MetricOverride | None) -> Metric:
    if own is None:
        return metric
    changes: dict[str, object] = {}
    if own.hard or own.soft:
        changes |= {"hard": own.hard or metric.hard, "soft": own.soft or metric.soft, "limits": ()}
    if own.typical_error_trial or own.typical_error_session:
        changes["typical_error"] = TypicalError(
            trial=own.typical_error_trial,
            session=own.typical_error_session,
            source="the facility's config/metrics.toml",
            verified="by the facility",
            origin="facility",
        )
    return metric.model_copy(update=changes)
