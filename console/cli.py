"""The command line. Errors are one or two lines on standard error; no traceback reaches a user.

Exit codes: 0 done, 1 a fault while running, 2 wrong usage or a bad sheet or log, 128 + n ended by signal n.
"""

from __future__ import annotations

import os
import sys
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, NoReturn

import click

from console.help_pages import Page

if TYPE_CHECKING:
    from console.desk import Desk
    from console.rehearsal_feed import FedRehearsal
    from ingest.plan import Plan
    from ingest.sheet import Sheet
    from ingest.sheet_wall import PitWall

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


_LONGEST_PREFIX = 80
# What is done within this time needs no bar.
_PATIENCE_S = 2.0
# As in alerts.monitor.ACTIONS, which a test holds this against: importing it would slow --help down.
_ACTIONS = ("acknowledge", "reset", "shelve", "unshelve", "out_of_service", "return_to_service")


def _chosen_car(ctx: click.Context, param: click.Parameter, given: Path | None) -> Path | None:
    """The sheet that --car names, or else the one that lies ready."""
    from console.car_choice import chosen_sheet
    from ingest.text import clean

    if ctx.resilient_parsing:  # while a shell completes a line
        return given
    option = "SHEET" if isinstance(param, click.Argument) else "--car"
    return chosen_sheet(given, lambda line: click.echo(f"damperwatch: {clean(line, 300)}", err=True), option)


def _chosen_cars(ctx: click.Context, param: click.Parameter, given: tuple[Path, ...]) -> tuple[Path, ...]:
    """The sheets that --car names, or else the one that lies ready."""
    if given or ctx.resilient_parsing:
        return given
    chosen = _chosen_car(ctx, param, None)
    return () if chosen is None else (chosen,)


def _topic_prefix(ctx: click.Context, param: click.Parameter, given: str | None) -> str | None:  # noqa: ARG001
    """A prefix of topics that can be published below."""
    from ingest.sheet_wall import checked_prefix

    # With a slash and a car's name of up to 69 letters behind it, a topic is 150 long.
    if given is not None and len(given) > _LONGEST_PREFIX:
        raise click.BadParameter(f"must be at most {_LONGEST_PREFIX} letters long")
    try:
        return None if given is None else checked_prefix(given)
    except ValueError as error:
        raise click.BadParameter(str(error)) from None


_CAR = click.option(
    "--car",
    "sheet_path",
    type=click.Path(path_type=Path),
    callback=_chosen_car,
    help="The car sheet (TOML); without it the one in DAMPERWATCH_CAR, or car.toml in this directory.",
)


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


@cli.command()
@click.argument("log", type=click.Path(path_type=Path))
@_CAR
@click.option("--pace", default="max", show_default=True, help="Times real time: 1, 20, 0.5 ... or max.")
@click.option("--out", "results", type=click.Path(path_type=Path), help="Directory for the results.")
@click.option("--overwrite", is_flag=True, help="Replace earlier results in that directory.")
@click.option(
    "--reference", type=click.Path(path_type=Path), help="Results of an earlier stint, for left/right and drift."
)
@click.option("--publish", is_flag=True, help="Publish the alerts for the pit wall; the sheet's [pit_wall] says where.")
@click.option("--journal", type=click.Path(path_type=Path), help="Keep the alarms in this file over a restart.")
@click.option("--name", help="Who acts at the keys; without it the login name.")
@click.option("--rehearse", "plan_path", type=click.Path(path_type=Path), help="A plan of faults to put in, unseen.")
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
    publish: bool,
    journal: Path | None,
    name: str | None,
    plan_path: Path | None,
    picture: Path | None,
    picture_at: float | None,
    plain: bool,
    no_color: bool,
) -> None:
    """Play a recorded log through the whole chain.

    LOG is a CSV, Parquet or HDF5 file, or a recording; the car sheet says which column is what. In a terminal the
    board is shown, elsewhere plain lines; both end with a summary. Ctrl-C ends the run and leaves complete results. On
    the board alarms are selected, acknowledged and shelved with keys: press ? for all of them.

    \b
    Examples:
      damperwatch replay stint.parquet --car car.toml
      damperwatch replay stint.csv --car car.toml --pace 1
      damperwatch replay stint.csv --out results --plain > lines.txt
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
    plan, line_of = _plan(plan_path)
    with_board = not plain and can_show_board()
    hands = None
    with progress_bar(shown=sys.stderr.isatty() and not sys.stdout.isatty()) as report:
        outlet: Outlet = PlainOutlet(lambda line: click.echo(line_of(line)), report)
        if with_board or picture is not None:
            from console.board_outlet import PictureOutlet
            from console.controls import Duties
            from console.hands import board_with_keys

            if with_board:
                outlet, hands = board_with_keys(click.echo, Duties(replay=True), name, no_color=no_color)
            if picture is not None:
                outlet = PictureOutlet(outlet, picture, picture_at)
        desk = _desk(sheet, rehearsal=plan is not None) if publish else None
        options = ReplayOptions(
            chosen, results, overwrite, reference, desk, _journal(journal), hands, plan, tell=click.echo
        )
        code = run_replay(log, sheet, outlet, options, Clock())
    raise SystemExit(code)


@cli.command()
@click.option(
    "--car",
    "sheet_paths",
    multiple=True,
    type=click.Path(path_type=Path),
    callback=_chosen_cars,
    help="The car sheet (TOML), once a car; without it that of DAMPERWATCH_CAR, or car.toml in this directory.",
)
@click.option(
    "--recordings",
    type=click.Path(path_type=Path),
    default=Path("recordings"),
    show_default=True,
    help="Directory in which all that arrives is recorded.",
)
@click.option("--no-recording", is_flag=True, help="Record nothing.")
@click.option("--out", "results", type=click.Path(path_type=Path), help="Directory for the results.")
@click.option("--overwrite", is_flag=True, help="Replace earlier results in that directory.")
@click.option(
    "--reference", type=click.Path(path_type=Path), help="Results of an earlier stint, for left/right and drift."
)
@click.option("--publish", is_flag=True, help="Publish the alerts for the pit wall; the sheet's [pit_wall] says where.")
@click.option(
    "--topic", callback=_topic_prefix, help="Publish below this and the car's name, not where the sheet says."
)
@click.option(
    "--journal",
    type=click.Path(path_type=Path),
    help="Keep the alarms in this file over a restart; without it in alarms.journal beside the recordings. "
    '"none" keeps nothing.',
)
@click.option("--name", help="Who acts at the keys; without it the login name.")
@click.option("--rehearsal", is_flag=True, help='Mark all as a rehearsal: a log is fed, by "feed", and not the car.')
@click.option("--seconds", type=click.FloatRange(min=0.1), help="End by itself after this time, s.")
@click.option("--plain", is_flag=True, help="Plain lines instead of the board, also in a terminal.")
@click.option("--no-color", is_flag=True, help="No colour; the NO_COLOR variable does the same.")
def watch(
    sheet_paths: tuple[Path, ...],
    recordings: Path,
    no_recording: bool,
    results: Path | None,
    overwrite: bool,
    reference: Path | None,
    publish: bool,
    topic: str | None,
    journal: Path | None,
    name: str | None,
    rehearsal: bool,
    seconds: float | None,
    plain: bool,
    no_color: bool,
) -> None:
    """Watch a car over its live link, recording all that arrives.

    The sheet's [link] says where samples come from: a serial port or an MQTT topic (docs/wiring.md). A link that is
    not there yet, or goes away, is tried again until Ctrl-C, which ends the run in order. On the board alarms are
    selected, acknowledged and shelved with keys: press ? for all of them. Several cars, each with a --car, are watched
    side by side; every directory named then gets one for each car (docs/many-cars.md).

    \b
    Examples:
      damperwatch watch --car car.toml
      damperwatch watch --car car_7.toml --car car_8.toml
      damperwatch watch --out results --recordings /data/recordings
    """
    from console.outlet import Outlet, PlainOutlet
    from console.screen import can_show_board
    from console.watch import WatchOptions
    from console.watch import watch as run_watch
    from ingest.sheet import load_sheet

    if topic is not None and not publish:
        raise click.UsageError("--topic says where to publish: it needs --publish")
    if len(sheet_paths) > 1:
        kept = _journals(journal, None if no_recording or rehearsal else recordings)
        chosen = _Fleet(None if no_recording else recordings, results, overwrite, reference, publish, topic, kept)
        raise SystemExit(_watch_fleet(sheet_paths, chosen, name, seconds, rehearsal, plain, no_color))
    (sheet_path,) = sheet_paths
    sheet = load_sheet(sheet_path)
    line_of: Callable[[str], str] = str
    if rehearsal:
        from ingest.plan import marked_line

        line_of = marked_line
    recorded = None if no_recording else recordings
    outlet: Outlet = PlainOutlet(lambda line: click.echo(line_of(line)))
    hands = None
    if can_show_board() and not plain:
        from console.controls import Duties
        from console.hands import board_with_keys

        duties = Duties(live=True, ends="the watch" if no_recording else "the watch and its recording")
        outlet, hands = board_with_keys(click.echo, duties, name, no_color=no_color)
    desk = _desk(sheet, rehearsal=rehearsal, topic=topic) if publish else None
    # The car's own journal stays untouched.
    kept = _journal(journal, None if rehearsal else recorded)
    options = WatchOptions(recorded, results, overwrite, reference, seconds, desk, kept, hands, rehearsal)
    text = sheet_path.read_text(encoding="utf-8", errors="replace")
    code = run_watch(sheet, outlet, options, lambda line: click.echo(line, err=True), sheet_text=text)
    raise SystemExit(code)


@cli.command()
@click.argument("log", type=click.Path(path_type=Path))
@_CAR
@click.option("--to", "target", required=True, help="serial:PORT, serial:PORT@BAUD or mqtt:HOST:PORT/TOPIC.")
@click.option("--pace", default="1", show_default=True, help="Times real time: 1, 20, 0.5 ... or max.")
@click.option("--samples-per-frame", type=click.IntRange(1, 4096), default=10, help="Samples sent together.")
@click.option(
    "--format",
    "form",
    type=click.Choice(["packed", "text", "record", "json", "cbor"]),
    help="Without it the sheet's link.format, else packed.",
)
@click.option("--drop", type=float, default=0.0, metavar="RATE", help="Leave out this share of the frames, 0 to 1.")
@click.option("--corrupt", type=float, default=0.0, metavar="RATE", help="Turn over bits in this share of the frames.")
@click.option("--duplicate", type=float, default=0.0, metavar="RATE", help="Send this share of the frames twice.")
@click.option("--reorder", type=float, default=0.0, metavar="RATE", help="Swap this share with the next frame.")
@click.option("--delay", default="0:0", metavar="RATE:MS", help="Send this share late by MS of sample time.")
@click.option("--pull-at", type=float, multiple=True, metavar="S", help="Pull the cable at this second of the log ...")
@click.option("--pull-for", type=float, multiple=True, metavar="S", help="... for so long; both may be repeated.")
@click.option(
    "--retry",
    metavar="S",
    type=click.FloatRange(min=0.0, max=3600.0),
    default=30.0,
    show_default=True,
    help="Try a link that was lost on the way again for so long; 0 gives up at once.",
)
@click.option("--seed", type=int, default=1, show_default=True, help="Other faults of the same kinds.")
@click.option("--rehearse", "plan_path", type=click.Path(path_type=Path), help="A plan of faults to put in, unseen.")
@click.option("--heard", type=click.Path(path_type=Path), help="The receiver's results, for the rehearsal's account.")
@click.option("--account", type=click.Path(path_type=Path), help="Directory for the rehearsal's account.")
def feed(
    log: Path,
    sheet_path: Path,
    target: str,
    pace: str,
    samples_per_frame: int,
    form: str | None,
    drop: float,
    corrupt: float,
    duplicate: float,
    reorder: float,
    delay: str,
    pull_at: tuple[float, ...],
    pull_for: tuple[float, ...],
    retry: float,
    seed: int,
    plan_path: Path | None,
    heard: Path | None,
    account: Path | None,
) -> None:
    """Play a log onto a real link, to rehearse on a bench.

    LOG goes out as the car's logger would send it, to a serial port or an MQTT broker, where "damperwatch watch" with
    the same sheet receives it. Faults of a bad link can be added; the account at the end says what a receiver must
    have met.

    \b
    Examples:
      damperwatch feed stint.csv --car car.toml --to serial:/dev/ttyUSB0@921600
      damperwatch feed stint.csv --to mqtt:localhost:1883/car/dampers --pace 5
      damperwatch feed stint.csv --to serial:/dev/ttyUSB0 --corrupt 0.01 \\
          --pull-at 30 --pull-for 5
    """
    from console.feed import FeedOptions
    from console.feed import feed as run_feed
    from console.feed_link import FeedUsageError, fault_plan, feed_target
    from console.pace import parse_pace
    from console.progress import progress_bar
    from ingest.sheet import load_sheet
    from ingest.text import clean

    try:
        chosen = parse_pace(pace)
    except ValueError:
        raise click.BadParameter('must be a number above 0, or "max"', param_hint="--pace") from None
    sheet = load_sheet(sheet_path)
    try:
        rates = {"drop": drop, "corrupt": corrupt, "duplicate": duplicate, "reorder": reorder}
        plan = fault_plan(rates, delay, pull_at, pull_for, seed)
        if plan_path is None and (heard or account):
            raise click.UsageError("--heard and --account belong to --rehearse")
        fed = None if plan_path is None else _fed(plan_path, log, sheet)
        if fed is not None:
            plan = fed.pulled(plan)
        options = FeedOptions(feed_target(target, sheet.link), chosen, samples_per_frame, form, plan, retry, fed)
        code = None
        try:
            with progress_bar(shown=sys.stderr.isatty()) as report:
                code = run_feed(log, sheet, options, say=lambda line: click.echo(line, err=True), report=report)
        finally:
            if fed is not None and fed.begun:
                for line in fed.settle(heard, account, clean(log.name, 80), complete=code == 0):
                    click.echo(line)
    except FeedUsageError as error:
        raise click.UsageError(str(error)) from None
    raise SystemExit(code)


@cli.command()
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


@cli.command()
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


@cli.command()
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
        sheet_path = _chosen_car(ctx, next(one for one in ctx.command.params if one.name == "sheet_path"), sheet_path)
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


@cli.command()
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

    with progress_bar(shown=sys.stderr.isatty(), label="verify", after_s=_PATIENCE_S) as report:
        lines, code = verify_recording(recording, as_json=as_json, report=report)
    for line in lines:
        click.echo(line)
    raise SystemExit(code)


@cli.command()
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

    with progress_bar(shown=sys.stderr.isatty(), label="export", after_s=_PATIENCE_S) as report:
        lines, code = run_export(recording, ExportOptions(to, sheet_path, raw, overwrite), report)
    for line in lines:
        click.echo(line)
    raise SystemExit(code)


@cli.command()
@click.argument("sheet_path", metavar="[SHEET]", required=False, callback=_chosen_car, type=click.Path(path_type=Path))
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


@cli.command()
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


@cli.command()
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


@cli.command()
@click.option("--mqtt", "broker", required=True, metavar="HOST[:PORT]", help="The broker.")
@click.option("--topic", required=True, metavar="PREFIX", help="As topic in the sheet's [pit_wall].")
@click.option("--user", help="Broker user.")
@click.option("--password-variable", help="Environment variable that holds the password.")
@click.option("--name", help="Who acts at the keys; without it the login name.")
@click.option("--bell", is_flag=True, help="Ring the terminal's bell for each new alert.")
@click.option("--plain", is_flag=True, help="Plain lines, also in a terminal.")
@click.option("--no-color", is_flag=True, help="No colour; the NO_COLOR variable does the same.")
def wall(
    broker: str,
    topic: str,
    user: str | None,
    password_variable: str | None,
    name: str | None,
    bell: bool,
    plain: bool,
    no_color: bool,
) -> None:
    """Show the alerts that a monitor publishes, large enough to read across a garage, and act on them.

    The monitor is "damperwatch watch" or "replay" with --publish. Arrow keys or Tab select an alert; a acknowledges it;
    ? lists all keys. Ctrl-C ends it.

    \b
    Examples:
      damperwatch wall --mqtt 192.0.2.10:1883 --topic pit/car
      damperwatch wall --mqtt 192.0.2.10:1883 --topic pit/car --name Kim --bell
    """
    from console.screen import can_show_board
    from console.wall import wall as run_wall

    place = _pit_wall(broker, topic, user, password_variable)
    with_screen = can_show_board() and not plain
    code = run_wall(place, click.echo, with_screen=with_screen, no_color=no_color, name=name, bell=bell)
    raise SystemExit(code)


@cli.command()
@click.argument("action", metavar="ACTION", type=click.Choice(_ACTIONS))
@click.argument("kind")
@click.argument("where")
@click.option("--mqtt", "broker", required=True, metavar="HOST[:PORT]", help="The broker.")
@click.option("--topic", required=True, metavar="PREFIX", help="As topic in the sheet's [pit_wall].")
@click.option("--name", required=True, help="Who acts; shown on board and wall.")
@click.option("--shelve-s", type=click.FloatRange(min=0, min_open=True), help="How long a shelf lasts, s of running.")
@click.option("--user", help="Broker user.")
@click.option("--password-variable", help="Environment variable that holds the password.")
def act(
    action: str,
    kind: str,
    where: str,
    broker: str,
    topic: str,
    name: str,
    shelve_s: float | None,
    user: str | None,
    password_variable: str | None,
) -> None:
    """Act on one alarm of a monitor that publishes: acknowledge it, reset it, shelve it ...

    KIND and WHERE are those of alerts.jsonl, such as "sensor FL" or "platform_low splitter". The wall shows who did
    it. The broker's access list decides who may (docs/pit-wall.md).

    \b
    Examples:
      damperwatch act acknowledge sensor FL --mqtt 192.0.2.10 \\
          --topic pit/car --name Kim
      damperwatch act shelve bump_stop RL --shelve-s 600 --mqtt 192.0.2.10 \\
          --topic pit/car --name Kim
    """
    from console.act import act as run_act
    from console.command import Wish

    place = _pit_wall(broker, topic, user, password_variable)
    click.echo(run_act(place, Wish(action, kind, where, name, shelve_s)))


def _pit_wall(broker: str, topic: str, user: str | None, password_variable: str | None) -> PitWall:
    """Broker and prefix as the command line gives them."""
    from pydantic import ValidationError

    from ingest.sheet_wall import PitWall

    host, colon, port = broker.rpartition(":")
    try:
        return PitWall(
            host=host if colon else broker,
            port=int(port) if colon else 1883,
            topic=topic,
            user=user,
            password_variable=password_variable,
        )
    except (ValidationError, ValueError) as error:
        first = error.errors(include_url=False)[0]["msg"] if isinstance(error, ValidationError) else "bad port"
        raise click.UsageError(f"--mqtt, --topic, --user or --password-variable: {first}") from None


def _journal(given: Path | None, beside: Path | None = None) -> Path | None:
    """The journal's file: the one given, none for "none", else one beside the recordings, if there are any."""
    if given is None:
        return None if beside is None else beside / "alarms.journal"
    return None if str(given).lower() == "none" else given


def _journals(given: Path | None, beside: Path | None) -> Path | None:
    """The directory below which each car of several has its journal; None keeps none."""
    if given is None:
        return beside
    return None if str(given).lower() == "none" else given


@dataclass(frozen=True)
class _Fleet:
    """Where what comes of several cars goes."""

    recordings: Path | None
    results: Path | None
    overwrite: bool
    reference: Path | None
    publish: bool
    topic: str | None
    journals: Path | None


def _watch_fleet(
    sheets: tuple[Path, ...],
    chosen: _Fleet,
    name: str | None,
    seconds: float | None,
    rehearsal: bool,
    plain: bool,
    no_color: bool,
) -> int:
    """Watch several cars."""
    from console.fleet import FleetOptions, PlainShow, Show, watch_fleet
    from console.fleet_cars import FleetCar, load_cars
    from console.screen import can_show_board
    from ingest.plan import marked_line

    def write(line: str) -> None:
        click.echo(marked_line(line) if rehearsal else line)

    def warn(line: str) -> None:
        click.echo(line, err=True)

    def desk_of(car: FleetCar) -> Desk:
        return _desk(car.sheet, topic=chosen.topic)

    cars = load_cars(sheets, publishing=chosen.publish, topic=chosen.topic)
    show: Show = PlainShow(write, warn)
    if can_show_board() and not plain:
        from console.controls import Duties
        from console.fleet_board import FleetBoard

        ends = f"the watch of {len(cars)} cars" + ("" if chosen.recordings is None else " and their recordings")
        show = FleetBoard(write, warn, Duties(live=True, ends=ends, several=True), name, no_color=no_color)
    options = FleetOptions(
        recordings=chosen.recordings,
        results=chosen.results,
        overwrite=chosen.overwrite,
        reference=chosen.reference,
        journals=chosen.journals,
        seconds=seconds,
        rehearsal=rehearsal,
        desk_of=desk_of if chosen.publish else None,
    )
    return watch_fleet(cars, show, options)


def _plan(path: Path | None) -> tuple[Plan | None, Callable[[str], str]]:
    """A rehearsal's plan, and what its plain lines begin with: each by itself must not be taken for the car's."""
    if path is None:
        return None, str
    from ingest.plan import load_plan, marked_line

    return load_plan(path), marked_line


def _fed(plan_path: Path, log: Path, sheet: Sheet) -> FedRehearsal:
    """A plan's faults, with their places in a log that is to be fed."""
    from console.rehearsal import prepare
    from console.rehearsal_feed import FedRehearsal
    from ingest.plan import load_plan

    return FedRehearsal(prepare(load_plan(plan_path), log, sheet), sheet)


def _desk(sheet: Sheet, *, rehearsal: bool = False, topic: str | None = None) -> Desk:
    """A desk that publishes where the sheet says, or below a prefix; raises SheetError when there is no broker."""
    from alerts.publisher import Publisher
    from console.desk import Desk
    from console.fleet_cars import pit_wall_of
    from ingest.errors import SheetError

    wall = pit_wall_of(sheet, topic)
    if wall is None:
        raise SheetError("car sheet", ["pit_wall: is missing; add [pit_wall] with host and topic (docs/pit-wall.md)"])
    if rehearsal:
        from ingest.plan import marked

        sheet = marked(sheet)
    return Desk(Publisher(wall, sheet.car.name).start(), sheet.car.name)


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
