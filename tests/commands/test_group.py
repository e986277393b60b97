"""The group of commands: quick help, and every command in its own module."""

from __future__ import annotations

import os
import pkgutil
import resource
import subprocess
import sys
from pathlib import Path

import click
import pytest
from click.testing import CliRunner

import pipeline.commands
from pipeline.cli import COMMANDS, main

HEAVY = ("numpy", "pandas", "duckdb", "rich", "prefect", "scipy", "pyarrow")
SHARED = {"fault", "options", "registers"}


def _command(name: str) -> click.Command:
    found = main.get_command(click.Context(main), name)
    assert found is not None
    return found


@pytest.mark.parametrize("name", sorted(COMMANDS))
def test_help_of_the_group_says_what_the_command_says_first(name: str) -> None:
    first = (_command(name).help or "").splitlines()[0]

    assert COMMANDS[name] == first


def test_every_module_of_a_command_is_listed() -> None:
    modules = {module.name.replace("_", "-") for module in pkgutil.iter_modules(pipeline.commands.__path__)}

    assert modules - SHARED == set(COMMANDS)


def test_help_lists_each_command_on_one_line() -> None:
    result = CliRunner().invoke(main, ["--help"])

    listed = result.output.split("Commands:\n")[1].splitlines()
    assert [line.split(maxsplit=1) for line in listed] == [[name, COMMANDS[name]] for name in sorted(COMMANDS)]


def test_help_imports_nothing_heavy() -> None:
    script = (
        "import sys; from pipeline.cli import main; main(['--help'], standalone_mode=False); "
        f"sys.exit(', '.join(name for name in {HEAVY} if name in sys.modules) or 0)"
    )

    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=False)  # noqa: S603 - own code

    assert done.returncode == 0, done.stderr


def test_help_takes_less_than_a_fifth_of_a_second_of_processor_time() -> None:
    """The best of five: other work on the machine can only add."""
    program = Path(sys.executable).with_name("kettlestone")
    spent = []
    for _ in range(5):
        before = resource.getrusage(resource.RUSAGE_CHILDREN)
        subprocess.run([program, "--help"], check=True, capture_output=True, env=dict(os.environ))  # noqa: S603 - own program
        after = resource.getrusage(resource.RUSAGE_CHILDREN)
        spent.append(after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime)

    assert min(spent) < 0.2


def test_a_command_that_nobody_knows_is_answered_with_the_nearest() -> None:
    result = CliRunner().invoke(main, ["intke"])

    assert result.exit_code == 2
    assert 'there is no command "intke"; did you mean "intake"?' in result.stderr


@pytest.mark.parametrize("name", sorted(COMMANDS))
def test_one_thing_has_one_option(name: str) -> None:
    """Results go to --out and the store is --store; litres a day are --litres wherever they are given."""
    command = _command(name)
    every = list(command.commands.values()) if isinstance(command, click.Group) else [command]
    spelled = {option for one in every for parameter in one.params for option in parameter.opts}

    assert not spelled & {"--litres-per-day", "--save", "--output", "--database", "--db", "--config"}
