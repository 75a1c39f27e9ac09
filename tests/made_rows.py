"""Rows of tables as the report reads them: one of each kind, to be changed where a test asks for another."""

from __future__ import annotations

import math
from typing import Any

NAN = math.nan


def regional(**changes: Any) -> dict[str, Any]:
    return {
        "species": "Cepaea nemoralis", "trait": "mid-banded", "count": 300, "total": 1000, "sites": 120,
        "frequency": 0.30, "low": 0.27, "high": 0.331, "rho": 0.06, "rho_low": 0.04, "rho_high": 0.08,
        "p_overdispersion": 1e-9,
    } | changes  # fmt: skip


def cline(model: str, weight: float, **changes: Any) -> dict[str, Any]:
    return {
        "species": "Cepaea nemoralis", "trait": "yellow", "model": model, "sites": 312, "shells": 10_201,
        "bearing_deg": 64.2, "bearing_low": 60.4, "bearing_high": 68.0, "centre_m": -3200.0, "centre_low": -3700.0,
        "centre_high": -2800.0, "width_m": 8900.0, "width_low": 7000.0, "width_high": 11_200.0, "p_min": 0.15,
        "p_max": 0.84, "weight": weight, "converged": True, "not_fitted_because": "", "direction": "along",
        "p_flat": 0.002, "chosen": weight > 0.5,
        "step": False, "residual_moran_i": 0.02, "residual_moran_p": 0.4,
    } | changes  # fmt: skip


def environment(**changes: Any) -> dict[str, Any]:
    return {
        "species": "Cepaea nemoralis", "trait": "yellow", "term": "habitat: woodland", "estimate": math.log(0.5),
        "low": math.log(0.4), "high": math.log(0.7), "p_naive": 1e-6, "p_spatial": 0.004, "p_holm": 0.012,
        "reference": "hedgerow",
    } | changes  # fmt: skip


def in_points(**changes: Any) -> dict[str, Any]:
    return {
        "species": "Cepaea nemoralis", "trait": "yellow", "term": "habitat: woodland", "effect": -0.131, "low": -0.174,
        "high": -0.088,
    } | changes  # fmt: skip


def paired(**changes: Any) -> dict[str, Any]:
    return {
        "species": "Cepaea nemoralis", "trait": "yellow", "habitat_one": "woodland", "habitat_other": "hedgerow",
        "pairs": 25, "distance_m": 607.0, "difference": -0.134, "low": -0.203, "high": -0.066, "p": 0.0005,
        "p_holm": 0.004, "within_m": 1000.0, "not_tested_because": "",
    } | changes  # fmt: skip


def changed(**changes: Any) -> dict[str, Any]:
    return {
        "species": "Cepaea nemoralis", "trait": "brown", "earlier_survey": "1984", "site": "", "earlier_count": 240,
        "earlier_total": 1000, "later_count": 150, "later_total": 1000, "earlier_frequency": 0.24,
        "later_frequency": 0.15, "difference": -0.09, "pairs": 79, "low": -0.14, "high": -0.04, "p": 0.002,
        "method": "m",
    } | changes  # fmt: skip


def index(**changes: Any) -> dict[str, Any]:
    return {
        "species": "Cepaea nemoralis", "trait": "yellow", "form": "rate-adjusted", "sites": 288, "moran_i": 0.45,
        "expected": -0.0035, "p_permutation": 0.001, "not_tested_because": "",
    } | changes  # fmt: skip


def surface(**changes: Any) -> dict[str, Any]:
    return {
        "species": "Cepaea nemoralis", "trait": "yellow", "bandwidth_m": 3711.0, "degree": 1, "kernel": "gaussian",
        "cells": 3853, "cells_blank": 0, "sites": 326, "shells": 10_703, "not_smoothed_because": "",
    } | changes  # fmt: skip
