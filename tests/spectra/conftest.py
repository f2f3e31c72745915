"""Scenes shared by the tests of this folder: the benchmark's generators."""

from __future__ import annotations

import importlib.util
from pathlib import Path

import numpy as np
import pytest


@pytest.fixture(scope="session")
def scenes():
    """Return the module of motion scenes, loaded from benchmarks/."""
    path = Path(__file__).parents[2] / "benchmarks" / "motion_scenes.py"
    spec = importlib.util.spec_from_file_location("motion_scenes", path)
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


@pytest.fixture
def rng():
    """Return a generator with a fixed seed."""
    return np.random.default_rng(20240229)
