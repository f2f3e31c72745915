"""Spectra in time of image motion under frozen flow, and what an exposure leaves of them.

Frequencies are x = nu D/V with the wind speed V across the beam; one-sided densities are in
units lambda^2 r0^(-5/3) D^(-1/3) (D/V), so that their integral over x is the coefficient K.
"""

from __future__ import annotations

from blursplit.air._spectra import tilt_spectra
from blursplit.air.cross import CrossSpectrumTable, cross_spectra, cross_spectrum_table
from blursplit.air.exposure import (
    exposed_covariance,
    exposure_factor,
    pair_exposure_factor,
    unit_nodes,
)

__all__ = [
    "CrossSpectrumTable",
    "cross_spectra",
    "cross_spectrum_table",
    "exposed_covariance",
    "exposure_factor",
    "pair_exposure_factor",
    "tilt_spectra",
    "unit_nodes",
]
