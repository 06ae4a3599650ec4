"""Whether two results are the same, field by field, with a tolerance for rounding."""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping

import numpy as np
import pytest


def assert_same(found: object, whole: object, where: str = "") -> None:
    """Every figure within 1e-6 of its unit or its size; everything else the same."""
    if isinstance(whole, Mapping):
        assert list(found) == list(whole), where
        for key in whole:
            assert_same(found[key], whole[key], f"{where}.{key}")
    elif dataclasses.is_dataclass(whole):
        for field in dataclasses.fields(whole):
            assert_same(getattr(found, field.name), getattr(whole, field.name), f"{where}.{field.name}")
    elif isinstance(whole, np.ndarray) and whole.dtype.kind == "f":
        np.testing.assert_allclose(found, whole, rtol=1e-6, atol=1e-6, err_msg=where)
    elif isinstance(whole, np.ndarray):
        np.testing.assert_array_equal(found, whole, err_msg=where)
    elif isinstance(whole, tuple | list):
        assert len(found) == len(whole), (where, found, whole)
        for k, (one, other) in enumerate(zip(found, whole, strict=True)):
            assert_same(one, other, f"{where}[{k}]")
    elif isinstance(whole, float):
        assert found == pytest.approx(whole, rel=1e-6, abs=1e-6, nan_ok=True), where
    else:
        assert found == whole, where
