"""What holds for all tests."""

import signal

import pytest


@pytest.fixture(autouse=True, scope="session")
def _interrupts_reach_the_programs_under_test():
    """Undo that a test run in the background of a shell ignores Ctrl-C, and its children too."""
    signal.signal(signal.SIGINT, signal.default_int_handler)
