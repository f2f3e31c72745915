"""Placeholder until the room is furnished."""
