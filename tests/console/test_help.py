"""Every command's --help: purpose, arguments, defaults, examples that parse, exit codes; 80 columns, no word cut."""

from __future__ import annotations

import re
import shlex

import click
import pytest
from click.testing import CliRunner

from console.cli import cli
from console.help_pages import ARGUMENTS, EXIT_CODES

COMMANDS = sorted(cli.commands)


def page(*command: str) -> str:
    # The width is fixed, whatever terminal the tests run in.
    result = CliRunner(env={"COLUMNS": "80"}).invoke(
        cli, [*command, "--help"], prog_name="damperwatch", terminal_width=80
    )
    assert result.exit_code == 0, result.output
    return result.output


def section(text: str, name: str) -> str:
    found = re.search(rf"^( *){name}:\n((?:\1 +.*\n|\n)*)", text + "\n", re.MULTILINE)
    assert found is not None, f"no {name}"
    return found[2]


@pytest.mark.parametrize("name", ["", *COMMANDS])
def test_it_fits_80_columns_and_cuts_no_word(name: str) -> None:
    text = page(*[name] if name else [])
    assert max(map(len, text.splitlines())) <= 80
    # A word with a hyphen may go on in the next line.
    words = set(text.split()) | set(re.sub(r"-\n +", "-", text).split())
    command = cli.commands[name] if name else cli
    told = [command.help or ""] + [one.help or "" for one in command.params if isinstance(one, click.Option)]
    told += ARGUMENTS.get(name, {}).values()
    wanted = {word for one in told for word in one.replace("\b", " ").split()}
    assert {word for word in wanted if word not in words} == set()


@pytest.mark.parametrize("name", COMMANDS)
def test_it_says_what_for_with_what_and_what_comes_out(name: str) -> None:
    command, text = cli.commands[name], page(name)
    purpose = text.splitlines()[2].strip()
    assert purpose[0].isupper()
    assert section(text, "Exit codes").strip().startswith("0 ")
    arguments = [one for one in command.params if isinstance(one, click.Argument)]
    if arguments:
        rows = section(text, "Arguments").splitlines()
        assert sum(bool(re.match(r"  \S+ {2,}\S", row)) for row in rows) == len(arguments)
    for option in command.params:
        if isinstance(option, click.Option):
            assert option.help, option.name


@pytest.mark.parametrize("name", COMMANDS)
def test_options_show_their_defaults(name: str) -> None:
    options = section(page(name), "Options")
    for option in cli.commands[name].params:
        default = option.default
        if isinstance(option, click.Option) and not option.is_flag and isinstance(default, str | int | float):
            assert re.search(rf"default:\s+{re.escape(str(default))}\b", options), option.name


def examples(name: str) -> list[list[str]]:
    text = page(name)
    lines = section(text, "Examples?").replace("\\\n", " ")
    found = [line for line in lines.splitlines() if line.strip()]
    assert found
    commands = [re.sub(r"^.*?\bdamperwatch ", "", line) for line in found]
    return [shlex.split(re.sub(r'(\)"|\s+\||\s+>|\s{3,}in ).*$', "", line)) for line in commands]


@pytest.mark.parametrize("name", COMMANDS)
def test_its_examples_are_commands_of_this_program(name: str) -> None:
    for words in examples(name):
        assert words[0] == name
        command = cli.commands[name]
        # Parsed, but nothing is run: with this a command only fills in its parameters.
        context = command.make_context(name, words[1:], resilient_parsing=True)
        assert not context.args, context.args


def test_no_text_stands_there_for_a_command_that_is_gone() -> None:
    assert set(EXIT_CODES) - set(COMMANDS) == set()
    assert set(ARGUMENTS) - set(COMMANDS) == set()
