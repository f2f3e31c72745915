"""The documentation: it builds, says what the code does, and its commands are the real ones."""

from __future__ import annotations

import importlib.util
import json
import os
import re
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from blursplit.cli import COMMANDS

ROOT = Path(__file__).parents[1]
README = (ROOT / "README.md").read_text(encoding="utf-8")
PAGES = sorted(
    [*ROOT.glob("*.md"), *(ROOT / "docs").glob("*.md"), *(ROOT / "docs/tables").glob("*.md")]
)


def load(path):
    spec = importlib.util.spec_from_file_location(path.stem, path)
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def test_the_site_builds_without_warnings(tmp_path):
    done = subprocess.run(
        [
            *(sys.executable, "-m", "sphinx", "-q", "-W", "--keep-going", "-b", "html"),
            *("-d", tmp_path / "doctrees", ROOT / "docs", tmp_path / "site"),
        ],
        capture_output=True,
        text=True,
        check=False,
        env={**os.environ, "PYTHONDONTWRITEBYTECODE": "1"},
    )
    assert done.returncode == 0, done.stderr
    assert "measure" in (tmp_path / "site" / "api.html").read_text(encoding="utf-8")


def test_schemas_and_tables_follow_from_the_code():
    generate = load(ROOT / "docs" / "generate.py")
    stale = [
        str(path.relative_to(ROOT))
        for path, text in generate.everything().items()
        if not path.exists() or path.read_text(encoding="utf-8") != text
    ]
    assert not stale, f"run: python docs/generate.py ({stale})"


@pytest.mark.parametrize("name", ["before", "after"])
def test_a_shipped_result_obeys_the_published_schema(name):
    jsonschema = pytest.importorskip("jsonschema")
    schema = json.loads((ROOT / "docs/schemas/result.json").read_text(encoding="utf-8"))
    record = json.loads((ROOT / f"examples/audit/{name}/result.json").read_text(encoding="utf-8"))
    jsonschema.Draft202012Validator.check_schema(schema)
    jsonschema.validate(record, schema)


def test_ci_runs_the_test_command_of_the_readme():
    fenced = re.findall(r"^```\n(.+?)\n```$", README, re.MULTILINE | re.DOTALL)
    install_and_demo, install_and_test = fenced[:2]
    assert "\n" not in install_and_demo + install_and_test
    assert install_and_demo.endswith("blursplit demo")
    lines = (ROOT / ".ci/run").read_text(encoding="utf-8").splitlines()
    assert install_and_test in lines
    assert os.access(ROOT / ".ci/run", os.X_OK)


def test_every_command_is_in_the_documentation_and_no_other():
    text = (ROOT / "docs/commands.md").read_text(encoding="utf-8")
    assert set(re.findall(r"^\| `blursplit (\w+)", text, re.MULTILINE)) == set(COMMANDS)
    for page in PAGES:
        named = re.findall(r"^(?:.*`)?blursplit (\w+)", page.read_text("utf-8"), re.MULTILINE)
        assert set(named) <= {*COMMANDS, "demo"}, page


@pytest.mark.parametrize("command", COMMANDS)
def test_every_option_that_the_documentation_names_exists(command):
    from typer.testing import CliRunner

    from blursplit.cli import app

    help_text = CliRunner().invoke(app, [command, "--help"], env={"COLUMNS": "200"}).output
    known = set(re.findall(r"--[a-z][a-z-]*", help_text))
    for page in PAGES:
        for line in re.findall(rf"blursplit {command}\b[^`\n#]*", page.read_text("utf-8")):
            used = set(re.findall(r"(?<!\S)\[?(--[a-z][a-z-]*)", line))
            assert used <= known, f"{page.name}: {line}"


def test_links_between_pages_lead_to_files():
    for page in PAGES:
        for target in re.findall(r"\]\(([^)#\s]+)[^)]*\)", page.read_text(encoding="utf-8")):
            assert "://" not in target, f"{page.name} leads out to {target}"
            assert (page.parent / target).exists(), f"{page.name} leads to {target}"


def test_the_readme_table_of_stars_is_what_plan_computes():
    """Each entry is rounded down to a tenth of a magnitude, so that no star is promised."""
    from blursplit import Rig
    from blursplit.campaign import plan

    row = re.compile(r"^\| ([\d.]+) m \|" + 3 * r" ([\d.]+) \|", re.MULTILINE)
    rows = row.findall(README)
    assert len(rows) == 3
    for aperture, *entries in rows:
        for exposure_ms, entry in zip((2, 5, 10), entries, strict=True):
            rig = Rig.read(
                None,
                [
                    f"telescope.aperture_m={aperture}",
                    "telescope.obstruction=0.3",
                    "camera.pixel_scale_arcsec=0.6",
                    "camera.read_noise_e=2.0",
                    f"camera.exposure_s={exposure_ms / 1000}",
                ],
            )
            found = plan(rig, seeing_arcsec=2.5).recording.faintest_mag
            # plan looks on a grid of 0.05 mag
            assert 0.0 <= found - float(entry) < 0.101, (aperture, exposure_ms, found)


def test_setup_examples_in_the_documentation_are_read(tmp_path):
    from blursplit import Rig

    seen = 0
    for page in (ROOT / "README.md", ROOT / "docs/setup_file.md"):
        for indent, text in re.findall(
            r"^( *)```toml\n(.*?)^ *```", page.read_text("utf-8"), re.MULTILINE | re.DOTALL
        ):
            file = tmp_path / f"setup{seen}.toml"
            file.write_text(text.replace("\n" + indent, "\n").strip(" "), encoding="utf-8")
            Rig.read(file)
            seen += 1
    assert seen == 2


@pytest.mark.parametrize("name", sorted(p.name for p in (ROOT / "examples").glob("*.ipynb")))
def test_a_notebook_runs_from_top_to_bottom(name, tmp_path, monkeypatch):
    """In a copy of the examples, so that nothing is written beside the originals."""
    nbclient = pytest.importorskip("nbclient")
    nbformat = pytest.importorskip("nbformat")
    desk = tmp_path / "examples"
    shutil.copytree(ROOT / "examples", desk)
    monkeypatch.setenv("JUPYTER_RUNTIME_DIR", str(tmp_path))
    monkeypatch.setenv("IPYTHONDIR", str(tmp_path))
    notebook = nbformat.read(desk / name, as_version=4)
    kernel = {"name": "python3", "display_name": "Python 3", "language": "python"}
    notebook.metadata["kernelspec"] = kernel
    client = nbclient.NotebookClient(
        notebook, timeout=300, resources={"metadata": {"path": str(desk)}}
    )
    client.execute()
    outputs = [o for cell in notebook.cells for o in cell.get("outputs", [])]
    assert outputs
    assert all(o["output_type"] != "error" for o in outputs)


@pytest.mark.parametrize("name", sorted(p.name for p in (ROOT / "examples").glob("*.ipynb")))
def test_a_notebook_is_kept_executed_small_and_in_step_with_its_source(name):
    pytest.importorskip("nbclient")
    path = ROOT / "examples" / name
    assert path.stat().st_size < 200_000
    cells = json.loads(path.read_text(encoding="utf-8"))["cells"]
    sources = [(cell["cell_type"], "".join(cell["source"])) for cell in cells]
    make = load(ROOT / "examples" / "make_notebooks.py")
    text = path.with_suffix(".py").read_text(encoding="utf-8")
    assert sources == make.cells_of(text), "run: python examples/make_notebooks.py"
    code = [cell for cell in cells if cell["cell_type"] == "code"]
    assert code
    assert all(cell["execution_count"] for cell in code)
    assert any(cell["outputs"] for cell in code)
