"""Astropy's time and coordinates without the network and without talk of its tables' age."""

from __future__ import annotations

import contextlib
import warnings
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterator


@contextlib.contextmanager
def offline() -> Iterator[None]:
    """Keep astropy from downloading Earth orientation and leap seconds while inside.

    Notes
    -----
    Predicted or missing Earth orientation moves an altitude by far less than an arcminute, and a
    leap second missing from the tables moves a date by one second; neither matters here.
    """
    from astropy.utils import iers

    with (
        warnings.catch_warnings(),
        iers.conf.set_temp("auto_download", False),  # noqa: FBT003
        iers.conf.set_temp("auto_max_age", None),
        iers.conf.set_temp("iers_degraded_accuracy", "ignore"),
    ):
        warnings.simplefilter("ignore")
        yield
