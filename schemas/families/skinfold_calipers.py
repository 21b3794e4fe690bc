"""Skinfold calipers: thicknesses of folds at named sites, and the site sets that may be summed."""

from dataclasses import dataclass

from schemas.core import Family, Field

FAMILY = Family(
    name="skinfold_calipers",
    label="skinfold calipers",
    table="skinfold_readings",
    row_is="a reading of a skinfold caliper",
    columns=(
        Field(
            "site",
            "text",
            "Where the fold is taken.",
            values=(
                "triceps",
                "biceps",
                "subscapular",
                "suprailiac",
                "iliac_crest",
                "supraspinale",
                "abdomen",
                "thigh",
                "calf",
                "chest",
                "midaxillary",
            ),
        ),
        Field(
            "reading", "integer", "Number of the reading in its occasion.", unit="count", low=0, high=1_000
        ),
        Field(
            "thickness_mm",
            "real",
            "Thickness of the fold.",
            unit="mm",
            low=2.0,
            high=80.0,
            limits_from="judgement from world extremes and the caliper's jaws (methods, B7)",
        ),
        Field("measurer", "text", "Who held the caliper."),
        Field(
            "witness_sum_mm",
            "real",
            "Sum of the occasion's folds, or of those of a set of sites, as the export tells it; kept to "
            "compare with ours, never used.",
            unit="mm",
        ),
    ),
    required=("site", "thickness_mm"),
    natural_key=("site", "measurer", "reading"),
    trial_key=("site", "measurer", "reading"),
    numbered="reading",
    values=("thickness_mm",),
)


@dataclass(frozen=True)
class SiteSet:
    """Sites whose folds are summed only when all of them were measured, and where the set comes from."""

    name: str
    sites: tuple[str, ...]
    source: str


SITE_SETS: tuple[SiteSet, ...] = (
    SiteSet(
        "three_sites_triceps",
        ("triceps", "suprailiac", "thigh"),
        "Jackson, Pollock & Ward 1980, Med Sci Sports Exerc 12:175-182, three sites for women (from memory)",
    ),
    SiteSet(
        "three_sites_chest",
        ("chest", "abdomen", "thigh"),
        "Jackson & Pollock 1978, Br J Nutr 40:497-504, three sites for men (from memory)",
    ),
    SiteSet(
        "four_sites",
        ("biceps", "triceps", "subscapular", "suprailiac"),
        "Durnin & Womersley 1974, Br J Nutr 32:77-97 (from memory)",
    ),
    SiteSet(
        "six_sites",
        ("triceps", "subscapular", "supraspinale", "abdomen", "thigh", "calf"),
        "common practice, no source",
    ),
    SiteSet(
        "seven_sites",
        ("chest", "midaxillary", "triceps", "subscapular", "abdomen", "suprailiac", "thigh"),
        "Jackson & Pollock 1978, Br J Nutr 40:497-504 (from memory)",
    ),
    SiteSet(
        "seven_sites_with_calf",
        ("triceps", "subscapular", "biceps", "supraspinale", "abdomen", "thigh", "calf"),
        "common practice, no source",
    ),
    SiteSet(
        "eight_sites",
        ("triceps", "subscapular", "biceps", "iliac_crest", "supraspinale", "abdomen", "thigh", "calf"),
        "common practice, no source",
    ),
)
