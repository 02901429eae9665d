"""The command line. Errors are one or two lines on standard error; no traceback reaches a user.

Exit codes: 0 done, 1 a fault while running, 2 wrong usage or a bad sheet or log, 128 + n ended by signal n. The
commands stand in `console.cli_*`, by what a person does with them.
"""

from __future__ import annotations

import os
import sys
from typing import Any, NoReturn

import click

from console.cli_afterwards import debrief, export, survey, verify
from console.cli_play import feed, replay
from console.cli_sheet import new, sheet, zero
from console.cli_wall import act, wall
from console.cli_watch import watch
from console.help_pages import Page

_HELP = {"help_option_names": ["-h", "--help"], "max_content_width": 80, "show_default": True}


class _ReaderGoneError(Exception):
    """The reader of our output has gone, as with "| head"."""


class _Commands(click.Group):
    """Commands whose broken pipe is ours to end quietly; click itself would call it a fault."""

    command_class = Page

    def invoke(self, ctx: click.Context) -> Any:
        """Run the chosen command."""
        try:
            return super().invoke(ctx)
        except BrokenPipeError:
            raise _ReaderGoneError from None


@click.group(cls=_Commands, context_settings=_HELP)
@click.version_option(package_name="damperwatch", prog_name="damperwatch")
def cli() -> None:
    """Watch a race car's suspension during the run.

    Damper positions in; velocities, time shares, platform heights, bump-stop contacts and warnings out.

    \b
    First steps:
      damperwatch new car.toml --log stint.csv       begin a car sheet
      damperwatch sheet car.toml                     check it
      damperwatch replay stint.csv --car car.toml    play a log, on the board
    """


@click.command(cls=Page)
@click.argument("shell", type=click.Choice(["bash", "zsh", "fish"]), metavar="SHELL")
def completion(shell: str) -> None:
    """Print what makes a shell complete damperwatch's commands and options.

    Put the line for your shell where it reads its settings, and open a new terminal.

    \b
    Examples:
      eval "$(damperwatch completion bash)"             in ~/.bashrc
      eval "$(damperwatch completion zsh)"              in ~/.zshrc
      damperwatch completion fish | source              in config.fish
    """
    from click.shell_completion import get_completion_class

    kind = get_completion_class(shell)
    assert kind is not None
    script = kind(cli, {}, "damperwatch", "_DAMPERWATCH_COMPLETE")
    click.echo(script.source_template % script.source_vars())


for _command in (replay, watch, feed, zero, debrief, survey, verify, export, sheet, new, completion, wall, act):
    cli.add_command(_command)


def _run() -> None:
    try:
        cli.main(standalone_mode=False)
    except click.exceptions.NoArgsIsHelpError as error:
        click.echo(error.format_message())
        raise SystemExit(2) from None


def main() -> NoReturn:
    """Run the command line and exit."""
    from ingest.errors import DamperwatchError, LogError, SheetError
    from ingest.text import clean

    if hasattr(sys.stdout, "reconfigure"):
        sys.stdout.reconfigure(errors="replace")
    try:
        _run()
    except click.ClickException as error:
        click.echo(f"damperwatch: {clean(error.format_message(), 400)}", err=True)
        if isinstance(error, click.UsageError) and error.ctx is not None:
            click.echo(f"  try: {error.ctx.command_path} --help", err=True)
        raise SystemExit(error.exit_code) from None
    except (SheetError, LogError) as error:
        click.echo(f"damperwatch: {error}", err=True)
        raise SystemExit(2) from None
    except DamperwatchError as error:
        click.echo(f"damperwatch: {error}", err=True)
        raise SystemExit(1) from None
    except (KeyboardInterrupt, click.Abort):
        click.echo("damperwatch: interrupted", err=True)
        raise SystemExit(130) from None
    except _ReaderGoneError:
        # End without Python's own complaint at exit.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        raise SystemExit(0) from None
    except OSError as error:
        # Files of ours are looked after where they are used; what is left is standard output, on a full disk say.
        click.echo(f"damperwatch: output can't be written: {clean(error.strerror or error)}", err=True)
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        raise SystemExit(1) from None
    raise SystemExit(0)
