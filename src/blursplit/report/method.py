"""The method in brief, with the sources of its formulas, as the page prints it."""

from __future__ import annotations

__all__ = ["METHOD"]

# what is done -> where it comes from
METHOD: dict[str, str] = {
    (
        "Each star is followed through all frames with a Gaussian-windowed centroid. The noise of "
        "every position is computed from photons, sky and read-out and taken out of all variances."
    ): "Standard error propagation.",
    (
        "Seeing is 0.976 λ/r₀ at 500 nm and zenith. The width of a long exposure also depends on "
        "the outer scale of the turbulence, which is assumed within a range."
    ): "Fried 1966; Tokovinin 2002.",
    (
        "Motion that differs between stars is compared with the tilt that turbulence gives two "
        "parted beams. It bounds the air from below."
    ): "Sarazin & Roddier 1990; Tokovinin 2002.",
    (
        "The transfer function of the centred star is compared with telescope, pixel and "
        "turbulence together. It bounds the air from above."
    ): "Fried 1966; Noll 1976.",
    (
        "Spectra use several orthogonal tapers; uneven times use least-squares periodograms. A "
        "line is judged against the continuum beside it, for all frequencies searched."
    ): "Thomson 1982; Lomb 1976; Scargle 1982.",
    (
        "All of it enters one fit of the air, the shared motion without lines, and the optics. "
        "Intervals come from draws of its posterior and rest on what is assumed beforehand, such "
        "as the range of the outer scale."
    ): "Whittle 1953; Foreman-Mackey et al. 2013.",
    (
        "A cause's share is how much the modelled FWHM falls when it is removed, averaged over all "
        "orders of removal. A cause is called dominant only if its share is the largest with a "
        "probability of 0.9 or more."
    ): "Shapley 1953.",
    (
        "Motion widths are given as Gaussian equivalents, 2.3548 times the rms."
    ): "Definition; the shape of a real kernel differs.",
}
