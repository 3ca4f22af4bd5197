"""Help that is worth reading: each command explains itself with an example."""

import pytest
from click.testing import CliRunner

from watcher.cli import main


@pytest.mark.parametrize("command", sorted(main.commands))
def test_each_command_has_an_example(command):
    result = CliRunner().invoke(main, [command, "--help"])
    assert result.exit_code == 0
    assert "Example" in result.output
    assert f"  watcher {command}" in result.output
    for option in main.commands[command].params:
        assert option.help or option.param_type_name == "argument"


def test_overview_names_all_commands_and_the_caution():
    result = CliRunner().invoke(main, ["--help"])
    for command in main.commands:
        assert f"  {command} " in result.output
    assert "no smoke or fire alarm" in " ".join(result.output.split())
    assert "..." not in result.output.split("Commands:")[1], "first sentences fit"


def test_version():
    assert CliRunner().invoke(main, ["--version"]).output.startswith("watcher, version 0.")
