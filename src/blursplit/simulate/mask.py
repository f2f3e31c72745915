"""A mask with two openings before the telescope: every star becomes two images.

Each opening forms its own image from its own part of the wavefront, and a wedge over one of them
moves its image aside. The images are added as intensities: with the wedge's split many times
the diffraction width of an opening they do not overlap, so no fringes form. Telescope, mount
and tube move both alike.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from blursplit.simulate.scene import Scene
    from blursplit.simulate.starfield import StarField


def images_through_mask(field: StarField, scene: Scene) -> StarField:
    """Return two images for each star, or the field itself where there is no mask.

    Parameters
    ----------
    field : StarField
    scene : Scene

    Returns
    -------
    StarField
        Images 2k and 2k + 1 belong to star k: the first through the opening at minus half the
        separation, in the star's own place; the second through the other, moved by the wedge
        along the line of the openings. Each has the light of its opening's area alone.
    """
    mask, telescope = scene.mask, scene.telescope
    if mask is None:
        return field
    angle = np.deg2rad(mask.angle_deg)
    line = np.array([np.cos(angle), np.sin(angle)])
    n = field.x_px.size
    opening = np.tile([-0.5, 0.5], n)[:, None] * mask.separation_m * line
    wedge = np.tile([0.0, 1.0], n)[:, None] * mask.split_arcsec * line
    wedge = wedge / scene.camera.pixel_scale_arcsec
    share = mask.opening_m**2 / (telescope.aperture_m**2 * (1 - telescope.obstruction**2))
    return replace(
        field,
        x_px=np.repeat(field.x_px, 2) + wedge[:, 0],
        y_px=np.repeat(field.y_px, 2) + wedge[:, 1],
        flux_e_per_s=np.repeat(field.flux_e_per_s, 2) * share,
        opening_m=opening,
        wedge_px=wedge,
    )
