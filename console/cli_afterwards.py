"""The commands for what runs have left: `debrief` of results, `survey` of logs, `verify` and `export` of recordings.

Each ends with the exit code of what it ran; wrong usage is click's. Libraries are imported inside, so that --help stays
quick.
"""

from __future__ import annotations

import sys
from pathlib import Path

import click

from console.cli_options import PATIENCE_S, chosen_car
from console.help_pages import Page


@click.command(cls=Page)
@click.argument("directory", metavar="DIR", type=click.Path(path_type=Path))
@click.option("--output", type=click.Path(path_type=Path), help="The page to write; without it DIR/debrief.html.")
@click.option("--compare", metavar="OTHER", type=click.Path(path_type=Path), help="Results to set beside these.")
@click.option("--figures", metavar="DIR", type=click.Path(path_type=Path), help="Also write the figures, as PNG files.")
@click.option("--overwrite", is_flag=True, help="Replace existing files that are no debrief.")
def debrief(directory: Path, output: Path | None, compare: Path | None, figures: Path | None, overwrite: bool) -> None:
    """Make the report of a finished stint.

    DIR is what replay or watch wrote with --out. The report is one HTML file that opens offline and prints on A4: the
    stint in ten lines, its alerts, velocities, laps, platform, downforce, and what the sensors and the link were
    worth. An interrupted run gives the report of what there is, and says what is missing.

    \b
    Examples:
      damperwatch debrief results
      damperwatch debrief results --compare results_of_yesterday \\
          --output debrief.html --figures figures
    """
    from console.debrief import DebriefOptions
    from console.debrief import debrief as run_debrief
    from console.debrief_results import NotResultsError
    from console.replay import program_version

    options = DebriefOptions(output, figures, compare, overwrite)
    try:
        files = run_debrief(directory, options, program_version(), lambda line: click.echo(line, err=True))
    except NotResultsError as error:
        raise click.UsageError(str(error)) from None
    for file in files[:1]:
        click.echo(f"{file}")
    if files[1:]:
        click.echo(f"{len(files) - 1} figures in {figures}")


@click.command(cls=Page)
@click.argument("logs", metavar="LOG...", nargs=-1, type=click.Path(path_type=Path))
@click.option("--car", "sheet_path", type=click.Path(path_type=Path), help="The car sheet (TOML), as for replay.")
@click.option("--list", "list_path", type=click.Path(path_type=Path), help="CSV of logs; docs/survey.md has columns.")
@click.option("--out", "directory", required=True, type=click.Path(path_type=Path), help="Directory of the survey.")
@click.option(
    "--workers", type=click.IntRange(0, 256), help="Processes; 0 computes in this one. Without it one for each core."
)
@click.option("--scheduler", metavar="ADDRESS", help="A Dask scheduler to compute on, such as tcp://HOST:8786.")
def survey(
    logs: tuple[Path, ...],
    sheet_path: Path | None,
    list_path: Path | None,
    directory: Path,
    workers: int | None,
    scheduler: str | None,
) -> None:
    """Put a season of logs through the chain: tables, references, scatter.

    Writes a Parquet table of all laps and one of all alerts; for each car, circuit and set-up a reference for
    "replay" and "watch", made of its clean stints; and how much laps differ. A bad log is named and left out. Run
    again, it goes on where it was; only new logs are computed. Needs the survey extra, but for --workers 0.

    \b
    Examples:
      damperwatch survey season/*.parquet --car car.toml --out survey
      damperwatch survey --list season.csv --out survey --workers 2
    """
    from console.progress import progress_bar
    from console.replay import program_version
    from console.survey import Voice
    from console.survey import survey as run_survey
    from console.survey_list import jobs_of
    from console.survey_pool import default_workers, open_pool
    from ingest.sheet import load_sheet

    if not logs and list_path is None:
        raise click.UsageError("name logs, or a list of them with --list")
    if workers is not None and scheduler is not None:
        raise click.UsageError("--workers and --scheduler exclude each other")
    if logs or sheet_path is not None:
        ctx = click.get_current_context()
        sheet_path = chosen_car(ctx, next(one for one in ctx.command.params if one.name == "sheet_path"), sheet_path)
    sheet = None if sheet_path is None else load_sheet(sheet_path)
    jobs = jobs_of(logs, list_path, sheet, program_version())
    with_bar = sys.stderr.isatty()
    with (
        open_pool(default_workers(len(jobs)) if workers is None else workers, scheduler) as pool,
        progress_bar(shown=with_bar, label="survey") as report,
    ):
        voice = Voice(lambda line: click.echo(line, err=True), click.echo, report, each=not with_bar)
        code = run_survey(jobs, directory, pool, voice)
    raise SystemExit(code)


@click.command(cls=Page)
@click.argument("recording", type=click.Path(path_type=Path))
@click.option("--json", "as_json", is_flag=True, help="One JSON record instead of lines.")
def verify(recording: Path, as_json: bool) -> None:
    """Check a recording: every block, what is missing, where damage begins.

    The file is never changed.

    \b
    Example:
      damperwatch verify recordings/20250314-091500-5f3a9c01.dwrec
    """
    from console.progress import progress_bar
    from console.verify import verify_recording

    with progress_bar(shown=sys.stderr.isatty(), label="verify", after_s=PATIENCE_S) as report:
        lines, code = verify_recording(recording, as_json=as_json, report=report)
    for line in lines:
        click.echo(line)
    raise SystemExit(code)


@click.command(cls=Page)
@click.argument("recording", type=click.Path(path_type=Path))
@click.option("--to", required=True, type=click.Path(path_type=Path), help="File to write: .csv, .parquet or .h5.")
@click.option(
    "--car", "sheet_path", type=click.Path(path_type=Path), help="A car sheet; without it the one in the recording."
)
@click.option("--raw", is_flag=True, help="Values as they were received, before calibration.")
@click.option("--overwrite", is_flag=True, help="Replace that file.")
def export(recording: Path, to: Path, sheet_path: Path | None, raw: bool, overwrite: bool) -> None:
    """Write a recording as a table, one row a sample: damper travel in mm and the side channels.

    The sample counter is the time axis; missing samples have no row. The file appears when it is whole.

    \b
    Examples:
      damperwatch export run.dwrec --to run.parquet
      damperwatch export run.dwrec --to run.csv --raw
    """
    from console.export import ExportOptions
    from console.export import export as run_export
    from console.progress import progress_bar

    with progress_bar(shown=sys.stderr.isatty(), label="export", after_s=PATIENCE_S) as report:
        lines, code = run_export(recording, ExportOptions(to, sheet_path, raw, overwrite), report)
    for line in lines:
        click.echo(line)
    raise SystemExit(code)
