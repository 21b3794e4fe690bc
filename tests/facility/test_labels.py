"""What coaches call a device."""

from __future__ import annotations

from typing import Any

from pipeline.facility.settings import Settings


def _labels(**devices: dict[str, Any]) -> dict[str, str]:
    mats = {name: {"family": "contact_mat", **device} for name, device in devices.items()}
    return Settings.model_validate({"name": "Here", "timezone": "UTC", "devices": mats}).method_labels


def test_a_method_is_called_by_the_labels_of_its_devices_else_by_itself() -> None:
    assert _labels(a={}, b={"label": "the hall mat"}) == {"a": "a", "b": "the hall mat"}
    shared = {"method": "mats"}
    assert _labels(a=shared, b=shared) == {"mats": "mats"}
    assert _labels(a=shared | {"label": "the old mat"}, b=shared | {"label": "the new mat"}) == {
        "mats": "the old mat or the new mat"
    }


def test_two_methods_that_are_called_the_same_are_told_apart() -> None:
    sheet = {"label": "a mat"}
    assert _labels(a=sheet, b=sheet) == {"a": "a mat (a)", "b": "a mat (b)"}
    gates = {"family": "timing_gates"} | sheet
    assert _labels(a=sheet, b=gates) == {"a": "a mat", "b": "a mat"}
