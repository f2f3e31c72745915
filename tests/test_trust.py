"""What the program never does: run what it reads, write elsewhere, or let a header speak HTML."""

from __future__ import annotations

import ast
import html
import os
import re
import subprocess
import sys
import sysconfig
from pathlib import Path

import numpy as np
import pytest
from astropy.io import fits

SOURCE = Path(__file__).parents[1] / "src" / "blursplit"
COMMAND = str(Path(sysconfig.get_path("scripts")) / "blursplit")

FORBIDDEN_CALLS = {"eval", "exec", "compile", "__import__", "breakpoint"}
FORBIDDEN_MODULES = {
    "pickle", "marshal", "shelve", "dill", "cloudpickle", "joblib", "code", "codeop", "ctypes",
    "subprocess", "pty", "socket", "urllib", "http", "requests", "ftplib", "smtplib",
}  # fmt: skip
FORBIDDEN_ATTRIBUTES = {"system", "popen", "spawnl", "spawnv", "execv", "execl", "startfile"}
# (module, word) of exceptions, each with its reason in a comment; there are none
ALLOWED: set[tuple[str, str]] = set()


def _imported(node: ast.AST) -> list[str]:
    if isinstance(node, ast.Import):
        names = [alias.name for alias in node.names]
    elif isinstance(node, ast.ImportFrom):
        names = [node.module or ""]
    else:
        return []
    return [name for name in names if name.partition(".")[0] in FORBIDDEN_MODULES]


def _called(node: ast.AST) -> list[str]:
    if not isinstance(node, ast.Call):
        return []
    words = [
        f"{keyword.arg}=True"
        for keyword in node.keywords
        if keyword.arg in {"shell", "allow_pickle"}
        and not (isinstance(keyword.value, ast.Constant) and keyword.value.value is False)
    ]
    function = node.func
    if isinstance(function, ast.Name) and function.id in FORBIDDEN_CALLS:
        words.append(function.id)
    if (
        isinstance(function, ast.Attribute)
        and isinstance(function.value, ast.Name)
        and function.value.id == "os"
        and function.attr in FORBIDDEN_ATTRIBUTES
    ):
        words.append(f"os.{function.attr}")
    return words


def _offences(path: Path) -> list[str]:
    name = path.relative_to(SOURCE).as_posix()
    return [
        f"{name}:{node.lineno} {word}"
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
        for word in _imported(node) + _called(node)
        if (name, word) not in ALLOWED
    ]


def test_no_module_runs_what_it_reads():
    """No pickle, no eval, no shell and no network anywhere in the package."""
    assert [found for path in sorted(SOURCE.rglob("*.py")) for found in _offences(path)] == []


def test_the_search_for_offences_finds_them(tmp_path, monkeypatch):
    bad = tmp_path / "bad.py"
    bad.write_text(
        "import pickle\nfrom subprocess import run\nimport os\nimport numpy as np\n"
        "eval('1')\nos.system('ls')\nnp.load('x', allow_pickle=True)\nrun('ls', shell=True)\n"
    )
    monkeypatch.setattr(sys.modules[__name__], "SOURCE", tmp_path)
    assert len(_offences(bad)) == 6


@pytest.fixture(scope="module")
def run_outcome(tmp_path_factory):
    """Run the installed command, warnings as errors, on frames whose header is hostile."""
    place = tmp_path_factory.mktemp("trust")
    (place / "in").mkdir()
    rng = np.random.default_rng(1)
    yy, xx = np.indices((80, 80))
    wander = np.cumsum(rng.normal(0, 0.05, (70, 2)), axis=0)
    stars = [(20, 22, 9e2), (60, 25, 7e2), (38, 58, 8e2)]
    frames = np.empty((70, 80, 80))
    for frame, (dx, dy) in zip(frames, wander, strict=True):
        light = 100.0 + sum(
            peak * np.exp(-((xx - x - dx) ** 2 + (yy - y - dy) ** 2) / 6.5) for x, y, peak in stars
        )
        frame[...] = rng.poisson(light) + 200
    header = fits.Header()
    header["OBJECT"] = "<script>alert(1)</script>"
    header["FILTER"] = '"><img src=x onerror=alert(2)>'
    header["TELESCOP"], header["FPS"], header["EXPTIME"] = "{{ 7*7 }}", 50.0, 0.005
    header["SECPIX"] = 0.6
    fits.PrimaryHDU(frames.astype(np.uint16), header).writeto(place / "in" / "<b>night & day.fits")
    before = {path: path.stat().st_mtime_ns for path in place.rglob("*")}
    environment = {**os.environ, "OMP_NUM_THREADS": "1", "PYTHONWARNINGS": "error"}
    words = ["measure", "in/<b>night & day.fits", "--out", "out"]
    program = [sys.executable, "-W", "error", COMMAND]
    done = subprocess.run(
        [*program, *words], cwd=place, capture_output=True, text=True, check=False, env=environment
    )
    return place, before, done


def test_a_run_with_warnings_as_errors_is_clean(run_outcome):
    _, _, done = run_outcome
    assert done.returncode == 0, done.stderr
    assert "Warning" not in done.stderr
    assert done.stderr.strip() == "page: out/index.html"


def test_files_are_written_only_under_the_given_output(run_outcome):
    place, before, _ = run_outcome
    after = {path: path.stat().st_mtime_ns for path in place.rglob("*")}
    assert {path: after[path] for path in before} == before
    new = {path.relative_to(place).parts[0] for path in set(after) - set(before)}
    assert new == {"out"}


def test_header_text_is_escaped_on_the_page(run_outcome):
    place, _, _ = run_outcome
    page = (place / "out" / "index.html").read_text(encoding="utf-8")
    assert html.escape("<script>alert(1)</script>") in page
    assert "<script>alert(1)" not in page
    assert "<img src=x" not in page
    assert "<b>night" not in page
    assert not re.search(r"(?<![0-9.])49(?![0-9.])", page.partition("{{ 7*7 }}")[0][-200:])


def test_the_page_asks_nothing_of_the_network(run_outcome):
    place, _, _ = run_outcome
    page = (place / "out" / "index.html").read_text(encoding="utf-8")
    assert re.findall(r"""(?:src|href)\s*=\s*["']?(?:https?:)?//""", page) == []
    assert re.findall(r"@import|url\(\s*['\"]?(?:https?:)?//", page) == []
