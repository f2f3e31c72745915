"""Stars: detected, followed through all frames, measured; tracks are what leaves this room."""

from blursplit.stars.tracker import follow_stars
from blursplit.stars.tracks import Stamps, StarTracks

__all__ = ["Stamps", "StarTracks", "follow_stars"]
