"""What `--help` says: words of the trade, no types of the language, nothing swallowed."""

from __future__ import annotations

import re

import pytest
from typer.testing import CliRunner

from blursplit.campaign.archive import _dask_cluster
from blursplit.cli import COMMANDS, app
from blursplit.errors import InputError


@pytest.mark.parametrize("command", COMMANDS)
def test_options_name_what_they_take(command: str) -> None:
    done = CliRunner().invoke(app, [command, "--help"])
    assert done.exit_code == 0
    options = done.stdout.partition("Options:")[2]
    assert "--help" in options
    # such as "<path>" or "<list[str]>", which mean nothing to an observer
    assert not re.search("<[a-z]", options)
    assert " ." not in options


def test_times_are_in_seconds() -> None:
    for command in ("measure", "archive"):
        text = CliRunner().invoke(app, [command, "--help"]).stdout
        assert "--blur-time SECONDS" in text


def test_an_address_that_is_none_is_refused_before_a_client_is_made() -> None:
    with pytest.raises(InputError, match="is no address"), _dask_cluster("foo"):
        pytest.fail("no cluster is there")


@pytest.mark.parametrize(("typed", "meant"), [("measur", "measure"), ("plann", "plan")])
def test_misspelt_command_is_answered_with_the_one_meant(typed, meant):
    done = CliRunner().invoke(app, [typed])
    assert done.exit_code == 2
    assert f"did you mean '{meant}'?" in done.stderr
