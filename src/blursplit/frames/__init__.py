"""FITS in: headers, times, pixels on demand."""

from blursplit.frames.gain import estimate_gain
from blursplit.frames.pixels import read_calibration
from blursplit.frames.sequence import Sequence, open_frames
from blursplit.frames.source import ArrayFrames, FrameSource

__all__ = [
    "ArrayFrames",
    "FrameSource",
    "Sequence",
    "estimate_gain",
    "open_frames",
    "read_calibration",
]
