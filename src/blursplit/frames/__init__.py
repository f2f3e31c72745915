"""FITS in: headers, times, pixels on demand."""

from blursplit.frames.gain import Gain, estimate_gain
from blursplit.frames.layout import find_files
from blursplit.frames.ordering import StampReport
from blursplit.frames.pixels import Calibration, read_calibration
from blursplit.frames.sequence import Sequence, open_frames
from blursplit.frames.source import ArrayFrames, FileFrames, FrameSource

__all__ = [
    "ArrayFrames",
    "Calibration",
    "FileFrames",
    "FrameSource",
    "Gain",
    "Sequence",
    "StampReport",
    "estimate_gain",
    "find_files",
    "open_frames",
    "read_calibration",
]
