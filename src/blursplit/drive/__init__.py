"""The drive: its periods and errors, what a guide loop leaves, and the polar axis."""
