"""The command line. Errors are one or two lines on standard error; no traceback reaches a user.

Exit codes: 0 done, 1 a fault while running, 2 wrong usage or a bad sheet or log, 128 + n ended by signal n.
"""

from __future__ import annotations

import os
import sys
from pathlib import Path
from typing import Any, NoReturn

import click

_HELP = {"help_option_names": ["-h", "--help"], "max_content_width": 100}


class _ReaderGoneError(Exception):
    """The reader of our output has gone, as with "| head"."""


class _Commands(click.Group):
    """Commands whose broken pipe is ours to end quietly; click itself would call it a fault."""

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
      damperwatch sheet car.toml                     check a car sheet
      damperwatch replay stint.csv --car car.toml    play a log, on the board
    """


@cli.command()
@click.argument("log", type=click.Path(path_type=Path))
@click.option("--car", "sheet_path", required=True, type=click.Path(path_type=Path), help="The car sheet (TOML).")
@click.option("--pace", default="max", show_default=True, help="Times real time: 1, 20, 0.5 ... or max.")
@click.option("--out", "results", type=click.Path(path_type=Path), help="Directory for the results.")
@click.option("--overwrite", is_flag=True, help="Replace earlier results in that directory.")
@click.option(
    "--reference", type=click.Path(path_type=Path), help="Results directory of a stint to compare left/right with."
)
@click.option("--picture", type=click.Path(path_type=Path), help="Draw the board to this SVG file.")
@click.option("--picture-at", type=float, help="Sample time of the picture in seconds; without it the end.")
@click.option("--plain", is_flag=True, help="Plain lines instead of the board, also in a terminal.")
@click.option("--no-color", is_flag=True, help="No colour; the NO_COLOR variable does the same.")
def replay(
    log: Path,
    sheet_path: Path,
    pace: str,
    results: Path | None,
    overwrite: bool,
    reference: Path | None,
    picture: Path | None,
    picture_at: float | None,
    plain: bool,
    no_color: bool,
) -> None:
    """Play a recorded log through the whole chain.

    LOG is a CSV or Parquet file; the car sheet says which column is what. In a terminal the board is shown,
    elsewhere plain lines; both end with a summary. Ctrl-C ends the run and leaves complete results.

    \b
    Examples:
      damperwatch replay stint.parquet --car car.toml
      damperwatch replay stint.csv --car car.toml --pace 1
      damperwatch replay stint.csv --car car.toml --out results --plain > lines.txt
    """
    from console.outlet import Outlet, PlainOutlet
    from console.pace import Clock, parse_pace
    from console.progress import progress_bar
    from console.replay import ReplayOptions
    from console.replay import replay as run_replay
    from console.screen import can_show_board
    from ingest.sheet import load_sheet

    try:
        chosen = parse_pace(pace)
    except ValueError:
        raise click.BadParameter('must be a number above 0, or "max"', param_hint="--pace") from None
    sheet = load_sheet(sheet_path)
    options = ReplayOptions(chosen, results, overwrite, reference)
    with_board = not plain and can_show_board()
    with progress_bar(shown=sys.stderr.isatty() and not sys.stdout.isatty()) as report:
        outlet: Outlet = PlainOutlet(click.echo, report)
        if with_board or picture is not None:
            from console.board_outlet import BoardOutlet, PictureOutlet

            if with_board:
                outlet = BoardOutlet(click.echo, no_color=no_color)
            if picture is not None:
                outlet = PictureOutlet(outlet, picture, picture_at)
        code = run_replay(log, sheet, outlet, options, Clock())
    raise SystemExit(code)


@cli.command()
@click.argument("sheet_path", metavar="SHEET", type=click.Path(path_type=Path))
def sheet(sheet_path: Path) -> None:
    """Check a car sheet and print what follows from it.

    All mistakes are listed at once. A valid sheet is answered with its geometry, wheel rates, ride rates and
    frequencies, damping ratios, travel left to bump stop and droop, what each sensor reads at the ends of the stroke,
    and the platform's margins.
    """
    from console.sheet_report import sheet_lines
    from ingest.sheet import load_sheet

    for line in sheet_lines(load_sheet(sheet_path)):
        click.echo(line)


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
