"""The public names: listed, documented, quick to import, and each with an example that runs."""

from __future__ import annotations

import doctest
import inspect
import os
import re
import shutil
import subprocess
import sys
from importlib import import_module
from pathlib import Path

import pytest

import blursplit
from blursplit.simulate import Scene, write_sequence

ROOT = Path(__file__).parents[1]
FRAMES = 40

NIGHT = {
    "camera": {"width_px": 128, "height_px": 96, "exposure_s": 0.008, "frame_interval_s": 0.02},
    "air": {"seeing_arcsec": 1.5},
    "stars": {"count": 3, "margin_px": 24},
    "sequence": {"frames": FRAMES, "start_utc": "2026-03-01T20:00:00Z"},
}


@pytest.fixture(scope="module")
def desk(tmp_path_factory):
    """Return a folder that holds the files which the examples name."""
    folder = tmp_path_factory.mktemp("desk")
    write_sequence(Scene.model_validate(NIGHT), folder / "night1")
    shutil.move(folder / "night1" / "setup.toml", folder / "rig.toml")
    shutil.copy(ROOT / "examples" / "limits.toml", folder / "limits.toml")
    night = blursplit.measure(folder / "night1", folder / "rig.toml")
    night.save(folder / "night1-result")
    night.save(folder / "before")
    night.result.sequence.name = "another"
    night.save(folder / "after")
    return folder


@pytest.mark.parametrize("name", blursplit.__all__)
def test_the_example_of_each_public_name_runs(name, desk, monkeypatch):
    monkeypatch.chdir(desk)
    public = getattr(blursplit, name)
    examples = doctest.DocTestParser().get_examples(inspect.getdoc(public) or "")
    assert examples, f"{name} has no example in its docstring"
    test = doctest.DocTest(examples, {}, name, None, None, None)
    runner = doctest.DocTestRunner(verbose=False)
    report: list[str] = []
    runner.run(test, out=report.append)
    assert runner.failures == 0, "".join(report)


def test_all_is_sorted_and_each_name_can_be_had():
    assert sorted(blursplit.__all__) == blursplit.__all__
    for name in blursplit.__all__:
        assert getattr(blursplit, name) is not None


TEN = "Estimate Measurement Rig StarTracks accept compare measure plan read simulate"


def test_the_public_names_are_these_ten():
    assert " ".join(blursplit.__all__) == TEN


def test_a_public_name_stays_itself_after_every_module_was_imported():
    """A function with the name of its module would turn into the module on import."""
    for home in {*blursplit._HOMES.values(), "measure", "simulate"}:
        import_module(f"blursplit.{home}")
    for name in blursplit.__all__:
        assert not inspect.ismodule(getattr(blursplit, name)), name
    from blursplit.measure import measure

    assert blursplit.measure is measure


def test_the_documented_names_are_the_public_ones():
    text = (ROOT / "docs" / "api.md").read_text(encoding="utf-8")
    section = text.partition("## The ten names")[2].partition("\n## ")[0]
    documented = re.findall(r"^\.\. auto(?:function|class):: (\w+)", section, re.MULTILINE)
    assert sorted(documented) == blursplit.__all__


def test_every_documented_name_exists():
    """The documentation names modules and what is in them; each of both is there."""
    text = (ROOT / "docs" / "api.md").read_text(encoding="utf-8")
    module = blursplit
    for kind, name in re.findall(r"^\.\. (currentmodule|auto\w+):: ([\w.]+)", text, re.MULTILINE):
        if kind == "currentmodule":
            module = import_module(name)
        else:
            assert hasattr(module, name), f"{module.__name__}.{name}"


def test_an_unknown_name_is_refused_as_any_module_does():
    with pytest.raises(AttributeError, match="no attribute 'stack'"):
        blursplit.stack  # noqa: B018 - the access is the test
    assert set(blursplit.__all__) < set(dir(blursplit))


def test_the_version_is_that_of_the_installed_package():
    from importlib.metadata import version

    assert blursplit.__version__ == version("blursplit")


def test_importing_the_package_imports_nothing_heavy():
    code = (
        "import sys, blursplit; "
        "print([m for m in ('numpy', 'scipy', 'astropy', 'pydantic', 'matplotlib', 'typer') "
        "if m in sys.modules])"
    )
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=True, env=os.environ
    )
    assert done.stdout.strip() == "[]"


ROOMS = sorted(path.parent.name for path in (ROOT / "src/blursplit").glob("*/__init__.py"))


@pytest.mark.parametrize("room", ROOMS)
def test_the_public_names_of_a_room_are_sorted_and_exist(room):
    module = import_module(f"blursplit.{room}")
    names = getattr(module, "__all__", [])
    assert sorted(names) == list(names)
    for name in names:
        assert hasattr(module, name)
