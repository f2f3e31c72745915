"""Common (shift, rotation, scale) against pair-differential motion, with the noise removed."""

from blursplit.motion.common import CommonMotion, PairStatistics

__all__ = ["CommonMotion", "PairStatistics"]
