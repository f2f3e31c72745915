"""Common (shift, rotation, scale) against pair-differential motion, with the noise removed."""

from blursplit.motion.common import CommonMotion, PairStatistics, fit_common_motion, pair_statistics

__all__ = ["CommonMotion", "PairStatistics", "fit_common_motion", "pair_statistics"]
