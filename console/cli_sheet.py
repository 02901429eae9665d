"""The commands for a car sheet: `new` begins one, `sheet` checks it, `zero` measures its static offsets.

What is wrong with a sheet comes as SheetError from below. Libraries are imported inside, so that --help stays quick.
"""

from __future__ import annotations

import sys
from pathlib import Path

import click

from console.cli_options import chosen_car
from console.help_pages import Page


@click.command(cls=Page)
@click.argument("path", metavar="SHEET", type=click.Path(path_type=Path))
@click.option("--log", type=click.Path(path_type=Path), help="List this log's columns in it and propose their roles.")
@click.option("--overwrite", is_flag=True, help="Replace that file.")
def new(path: Path, log: Path | None, overwrite: bool) -> None:
    """Begin a car sheet: every key there is, with its unit and meaning.

    What every car needs stands there with the values of an example; the rest stands behind "#" with its defaults.
    Put in your own car's values, then check the sheet with "damperwatch sheet".

    \b
    Examples:
      damperwatch new car.toml
      damperwatch new car.toml --log stint.csv
    """
    from console.new_sheet import new_sheet

    for line in new_sheet(path, log, overwrite=overwrite):
        click.echo(line)


@click.command(cls=Page)
@click.argument("sheet_path", metavar="[SHEET]", required=False, callback=chosen_car, type=click.Path(path_type=Path))
@click.option("--json", "as_json", is_flag=True, help="One JSON record instead of lines.")
def sheet(sheet_path: Path, as_json: bool) -> None:
    """Check a car sheet and print what follows from it.

    All mistakes are listed at once. A valid sheet is answered with its geometry, wheel rates, ride rates and
    frequencies, damping ratios, travel left to bump stop and droop, what each sensor reads at the ends of the stroke,
    and the platform's margins.

    \b
    Examples:
      damperwatch sheet car.toml
      damperwatch sheet car.toml --json > figures.json
    """
    from console.sheet_record import sheet_json
    from console.sheet_report import sheet_lines
    from ingest.sheet import load_sheet

    checked = load_sheet(sheet_path)
    for line in [sheet_json(checked)] if as_json else sheet_lines(checked):
        click.echo(line)


@click.command(cls=Page)
@click.option("--car", "sheet_path", required=True, type=click.Path(path_type=Path), help="The car sheet (TOML).")
@click.option("--log", type=click.Path(path_type=Path), help="A log or recording of the car at rest.")
@click.option("--live", is_flag=True, help="Measure now, over the sheet's link.")
@click.option("--from", "from_s", type=click.FloatRange(min=0.0), default=0.0, help="Where in the log to begin, s.")
# A body moves up and down at 1 to 4 Hz: less than 2 s is too few swings to tell rest from the top of one.
@click.option(
    "--seconds", type=click.FloatRange(2.0, 60.0), default=5.0, show_default=True, help="How long to measure, s."
)
@click.option("--yes", is_flag=True, help="Write without asking.")
def zero(sheet_path: Path, log: Path | None, live: bool, from_s: float, seconds: float, yes: bool) -> None:
    """Measure the static offsets on the flat patch and write them into the sheet.

    The car must stand on the flat patch as it will run: tyre pressures, driver or ballast, fuel; nobody leaning on it,
    nobody under it. A corner that moves, drifts or is noisy is refused, and then nothing is written. Only the four
    zero_mm are changed; the sheet as it was is kept beside it as SHEET.before-zero.

    \b
    Examples:
      damperwatch zero --car car.toml --log standing.csv
      damperwatch zero --car car.toml --live --seconds 10
    """
    from console.zero_run import window_of_link, window_of_log
    from console.zero_run import zero as run_zero
    from ingest.sheet import load_sheet

    if live == (log is not None):
        raise click.UsageError("give --log LOG or --live (one of them)")
    if live and from_s:
        raise click.UsageError("--from belongs to --log")
    sheet = load_sheet(sheet_path)
    if log is not None:
        window = window_of_log(log, sheet, from_s, seconds)
    else:
        window = window_of_link(sheet, seconds, lambda line: click.echo(line, err=True))

    def ask() -> bool:
        return yes or click.confirm("Write these zeros into the sheet?", err=True)

    askable = yes or sys.stdin.isatty()
    if run_zero(sheet_path, sheet, window, click.echo, ask if askable else None):
        raise SystemExit(0)
    if not askable:
        raise click.UsageError("nothing written: nobody can be asked here; add --yes to write")
    click.echo("nothing written", err=True)
    raise SystemExit(1)
