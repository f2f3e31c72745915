"""Show where the time of a command goes: `python benchmarks/profile_command.py measure night1/`."""

from __future__ import annotations

import cProfile
import pstats
import sys

from blursplit.cli import app

ROWS = 40

if __name__ == "__main__":
    sys.argv[0] = "blursplit"
    profile = cProfile.Profile()
    try:
        profile.runcall(app)
    except SystemExit as end:
        print(f"exit code {end.code}")
    pstats.Stats(profile).sort_stats("cumulative").print_stats(ROWS)
