"""FITS in: headers, times, pixels on demand."""

from blursplit.frames.finding import find_files
from blursplit.frames.sequence import Sequence, StampReport, open_sequence
from blursplit.frames.source import FileFrames, FrameSource

__all__ = [
    "FileFrames",
    "FrameSource",
    "Sequence",
    "StampReport",
    "find_files",
    "open_sequence",
]
