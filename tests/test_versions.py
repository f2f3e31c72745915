"""Versions: lower bounds only, one pinned version of everything for the checks, and they agree."""

from __future__ import annotations

import tomllib
from pathlib import Path

from packaging.requirements import Requirement
from packaging.utils import canonicalize_name
from packaging.version import Version

ROOT = Path(__file__).parents[1]
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]


def requirements():
    """Return all that the package and its extras ask for, without its own extras."""
    extras = PROJECT["optional-dependencies"].values()
    listed = [*PROJECT["dependencies"], *(one for extra in extras for one in extra)]
    return [one for one in map(Requirement, listed) if one.name != PROJECT["name"]]


def locked():
    """Return name -> version of requirements.lock, every line of which pins one."""
    pins = {}
    for line in (ROOT / "requirements.lock").read_text(encoding="utf-8").splitlines():
        if line and not line.startswith("#"):
            (pin,) = Requirement(line).specifier
            assert pin.operator == "==", line
            assert "*" not in pin.version, line
            pins[canonicalize_name(Requirement(line).name)] = Version(pin.version)
    return pins


def test_every_requirement_states_its_oldest_version_and_no_newest():
    for requirement in requirements():
        operators = [bound.operator for bound in requirement.specifier]
        assert operators == [">="], str(requirement)


def test_the_lock_pins_every_requirement_at_an_allowed_version():
    pins = locked()
    for requirement in requirements():
        version = pins[canonicalize_name(requirement.name)]
        assert requirement.specifier.contains(version), f"{requirement} is locked at {version}"


def test_the_checks_run_with_the_lock():
    lines = (ROOT / ".ci" / "run").read_text(encoding="utf-8").splitlines()
    commands = [line for line in lines if not line.lstrip().startswith("#")]
    constraint = [line for line in commands if "PIP_CONSTRAINT" in line]
    assert constraint == ['export PIP_CONSTRAINT="$PWD/requirements.lock"']
    install = next(number for number, line in enumerate(commands) if "pip install" in line)
    assert commands.index(constraint[0]) < install


def test_every_module_imported_is_a_declared_requirement():
    """What a fresh environment lacks would be missed only there."""
    import ast
    import sys
    from importlib.metadata import packages_distributions

    declared = {canonicalize_name(Requirement(one).name) for one in PROJECT["dependencies"]}
    declared |= {"distributed"}  # the extra `dask`, imported on request
    declared |= {"markupsafe"}  # the type of jinja2's own escaped text, which it cannot be without
    owners = packages_distributions()
    foreign = set()
    for path in (ROOT / "src").rglob("*.py"):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            names = [alias.name for alias in node.names] if isinstance(node, ast.Import) else []
            if isinstance(node, ast.ImportFrom):
                names = [node.module or ""]
            foreign |= {name.partition(".")[0] for name in names}
    foreign -= {*sys.stdlib_module_names, PROJECT["name"], ""}
    assert len(foreign) >= 8  # the search finds what it looks for
    for module in sorted(foreign):
        found = {canonicalize_name(owner) for owner in owners.get(module, [])}
        assert found & declared, f"{module} belongs to no declared requirement"
