"""What starting the program costs: imports, by asking a fresh interpreter."""

import importlib
import json
import subprocess
import sys

import click
import pytest

from quietrun.cli import COMMANDS, main

HEAVY = ("numpy", "av", "soundfile", "scipy", "librosa", "sklearn", "matplotlib", "rich", "numba")

PROBE = """
import json, sys
sys.argv = ["quietrun", *{args!r}]
from quietrun.cli import main
try:
    main()
except SystemExit as done:
    code = done.code
names = {{name.split(".")[0] for name in sys.modules}}
print("LOADED " + json.dumps([code, sorted(names)]))
"""


def loaded_by(*args):
    """Exit code and top-level modules after ``quietrun ARGS`` in a process of its own."""
    done = subprocess.run(
        [sys.executable, "-c", PROBE.format(args=args)], capture_output=True, text=True, timeout=60
    )
    last = done.stdout.splitlines()[-1]
    assert last.startswith("LOADED "), done.stderr
    code, names = json.loads(last.removeprefix("LOADED "))
    return code, set(names)


@pytest.mark.parametrize("args", [("--help",), ("--version",), ("check", "--help"), ("chekc",)])
def test_help_and_version_import_nothing_heavy(args):
    code, names = loaded_by(*args)
    assert code == (2 if args == ("chekc",) else 0)
    assert names & set(HEAVY) == set()
    assert {"click", "quietrun"} <= names


def test_every_command_is_where_the_registry_says():
    for name, target in COMMANDS.items():
        module, _, attribute = target.partition(":")
        command = getattr(importlib.import_module(module), attribute)
        assert isinstance(command, click.Command)
        assert command.name == name


def test_help_lists_every_command():
    ctx = click.Context(main)
    assert main.list_commands(ctx) == list(COMMANDS)


def walk(command, name):
    yield name, command
    if isinstance(command, click.Group):
        ctx = click.Context(command)
        for child in command.list_commands(ctx):
            yield from walk(command.get_command(ctx, child), f"{name} {child}")


@pytest.mark.parametrize(("name", "command"), list(walk(main, "quietrun")), ids=str)
def test_every_command_and_option_has_help(name, command):
    assert command.help
    for param in command.params:
        if param.param_type_name == "option":
            assert param.help, f"{name} {param.opts}"
