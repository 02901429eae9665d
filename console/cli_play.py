"""The commands that play a log: `replay` through the chain, `feed` onto a real link.

Each turns its options into those of `console.replay` and `console.feed` and ends with their exit code. Libraries are
imported inside, so that --help stays quick.
"""

from __future__ import annotations

import sys
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

import click

from console.cli_options import CAR, journal_file, open_desk
from console.help_pages import Page

if TYPE_CHECKING:
    from console.rehearsal_feed import FedRehearsal
    from ingest.plan import Plan
    from ingest.sheet import Sheet


@click.command(cls=Page)
@click.argument("log", type=click.Path(path_type=Path))
@CAR
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
        desk = open_desk(sheet, rehearsal=plan is not None) if publish else None
        options = ReplayOptions(
            chosen, results, overwrite, reference, desk, journal_file(journal), hands, plan, tell=click.echo
        )
        code = run_replay(log, sheet, outlet, options, Clock())
    raise SystemExit(code)


@click.command(cls=Page)
@click.argument("log", type=click.Path(path_type=Path))
@CAR
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


def _plan(path: Path | None) -> tuple[Plan | None, Callable[[str], str]]:
    """A rehearsal's plan, and what its plain lines begin with: each by itself must not be taken for the car's."""
    if path is None:
        return None, str
    from ingest.plan import load_plan
    from ingest.rehearsal_mark import marked_line

    return load_plan(path), marked_line


def _fed(plan_path: Path, log: Path, sheet: Sheet) -> FedRehearsal:
    """A plan's faults, with their places in a log that is to be fed."""
    from console.rehearsal import prepare
    from console.rehearsal_feed import FedRehearsal
    from ingest.plan import load_plan

    return FedRehearsal(prepare(load_plan(plan_path), log, sheet), sheet)
