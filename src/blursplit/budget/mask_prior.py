"""What a mask with two openings tells the joint fit: how strong the air is, and its filter."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from blursplit.budget.air_table import TILT
from blursplit.turbulence.spectra import cross_spectrum_table

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from blursplit.budget.air_table import AirTable, Optics

    FloatArray = NDArray[np.float64]


@dataclass(frozen=True)
class MaskPrior:
    """The mask's word on the air.

    Parameters
    ----------
    ln_j : (mean, sigma)
        Of ln r0^(-5/3) at the observing wavelength along the line of sight.
    separation_m : float
        Distance of the openings' centres.
    """

    ln_j: tuple[float, float]
    separation_m: float

    def on_mean_of_images(
        self, table: AirTable, optics: Optics, frequency_hz: FloatArray
    ) -> AirTable:
        """Return the table for the mean motion of the two images in place of one star's.

        Parameters
        ----------
        table : AirTable
            For one opening.
        optics : Optics
            Of one opening.
        frequency_hz : ndarray, shape (n_bins,)
            Centres of the bins of the data.

        Notes
        -----
        The mean of two tilts has the spectrum (S1 + Sc)/2 with Sc the co-spectrum of beams the
        separation apart, here its mean over directions of the wind and both axes. Openings that
        stand 2.5 diameters apart halve the fast motion and leave the slow one whole.
        """
        separation = np.array([0.0, self.separation_m / optics.aperture_m])
        ground, shared = table.ground.copy(), table.shared.copy()
        for k, log_outer in enumerate(table.log_outer_scale):
            ratio = float(optics.aperture_m / np.exp(log_outer))
            co_spectra = cross_spectrum_table(ratio, optics.obstruction, TILT)
            for j, log_wind in enumerate(table.log_wind):
                for out, at_hz in ((ground, frequency_hz), (shared, table.fine_hz)):
                    x = at_hz * optics.aperture_m / np.exp(log_wind)
                    along, across = co_spectra(x, separation)
                    both = along + across
                    out[j, k] *= 0.5 * (1.0 + both[:, 1] / both[:, 0])
        return replace(table, ground=ground, shared=shared)
