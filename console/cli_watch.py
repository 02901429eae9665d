"""The command that watches: `watch`, one car over its live link or several side by side.

Turns its options into those of `console.watch` or `console.fleet` and ends with their exit code. Libraries are imported
inside, so that --help stays quick.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import click

from console.cli_options import chosen_cars, journal_file, open_desk, topic_prefix
from console.help_pages import Page

if TYPE_CHECKING:
    from console.desk import Desk
    from ingest.link_loop import LinkLoop


@click.command(cls=Page)
@click.option(
    "--car",
    "sheet_paths",
    multiple=True,
    type=click.Path(path_type=Path),
    callback=chosen_cars,
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
@click.option("--topic", callback=topic_prefix, help="Publish below this and the car's name, not where the sheet says.")
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
        from ingest.rehearsal_mark import marked_line

        line_of = marked_line
    recorded = None if no_recording else recordings
    outlet: Outlet = PlainOutlet(lambda line: click.echo(line_of(line)))
    hands = None
    if can_show_board() and not plain:
        from console.controls import Duties
        from console.hands import board_with_keys

        duties = Duties(live=True, ends="the watch" if no_recording else "the watch and its recording")
        outlet, hands = board_with_keys(click.echo, duties, name, no_color=no_color)
    desk = open_desk(sheet, rehearsal=rehearsal, topic=topic) if publish else None
    # The car's own journal stays untouched.
    kept = journal_file(journal, None if rehearsal else recorded)
    options = WatchOptions(recorded, results, overwrite, reference, seconds, desk, kept, hands, rehearsal)
    text = sheet_path.read_text(encoding="utf-8", errors="replace")
    code = run_watch(sheet, outlet, options, lambda line: click.echo(line, err=True), sheet_text=text)
    raise SystemExit(code)


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
    from ingest.rehearsal_mark import marked_line

    def write(line: str) -> None:
        click.echo(marked_line(line) if rehearsal else line)

    def warn(line: str) -> None:
        click.echo(line, err=True)

    def desk_of(car: FleetCar, loop: LinkLoop) -> Desk:
        return open_desk(car.sheet, topic=chosen.topic, loop=loop)

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
