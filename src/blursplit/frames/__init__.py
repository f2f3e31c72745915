"""FITS in: headers, times, pixels on demand."""

from blursplit.frames.gain import estimate_gain
from blursplit.frames.pixels import Calibration
from blursplit.frames.sequence import Sequence, open_frames
from blursplit.frames.source import ArrayFrames, FrameSource

__all__ = ["ArrayFrames", "Calibration", "FrameSource", "Sequence", "estimate_gain", "open_frames"]
