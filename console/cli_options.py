"""What several commands of the command line share: the option --car, callbacks of options, desk and journal.

A callback takes what was given and returns what the command gets, or raises click's BadParameter. Only click is
imported; what needs a library imports it inside.
"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

if TYPE_CHECKING:
    from console.desk import Desk
    from ingest.link_loop import LinkLoop
    from ingest.sheet import Sheet

_LONGEST_PREFIX = 80
# What is done within this time needs no bar.
PATIENCE_S = 2.0


def chosen_car(ctx: click.Context, param: click.Parameter, given: Path | None) -> Path | None:
    """The sheet that --car names, or else the one that lies ready."""
    from console.car_choice import chosen_sheet
    from ingest.text import clean

    if ctx.resilient_parsing:  # while a shell completes a line
        return given
    option = "SHEET" if isinstance(param, click.Argument) else "--car"
    return chosen_sheet(given, lambda line: click.echo(f"damperwatch: {clean(line, 300)}", err=True), option)


def chosen_cars(ctx: click.Context, param: click.Parameter, given: tuple[Path, ...]) -> tuple[Path, ...]:
    """The sheets that --car names, or else the one that lies ready."""
    if given or ctx.resilient_parsing:
        return given
    chosen = chosen_car(ctx, param, None)
    return () if chosen is None else (chosen,)


def topic_prefix(ctx: click.Context, param: click.Parameter, given: str | None) -> str | None:  # noqa: ARG001
    """A prefix of topics that can be published below."""
    from ingest.sheet_wall import checked_prefix

    # With a slash and a car's name of up to 69 letters behind it, a topic is 150 long.
    if given is not None and len(given) > _LONGEST_PREFIX:
        raise click.BadParameter(f"must be at most {_LONGEST_PREFIX} letters long")
    try:
        return None if given is None else checked_prefix(given)
    except ValueError as error:
        raise click.BadParameter(str(error)) from None


CAR = click.option(
    "--car",
    "sheet_path",
    type=click.Path(path_type=Path),
    callback=chosen_car,
    help="The car sheet (TOML); without it the one in DAMPERWATCH_CAR, or car.toml in this directory.",
)


def journal_file(given: Path | None, beside: Path | None = None) -> Path | None:
    """The journal's file: the one given, none for "none", else one beside the recordings, if there are any."""
    if given is None:
        return None if beside is None else beside / "alarms.journal"
    return None if str(given).lower() == "none" else given


def open_desk(sheet: Sheet, *, rehearsal: bool = False, topic: str | None = None, loop: LinkLoop | None = None) -> Desk:
    """A desk that publishes where the sheet says, or below a prefix; raises SheetError when there is no broker.

    Publishes in `loop`, or in a thread of its own without one.
    """
    from alerts.publisher import Publisher
    from console.desk import Desk
    from console.fleet_cars import pit_wall_of
    from ingest.errors import SheetError

    wall = pit_wall_of(sheet, topic)
    if wall is None:
        raise SheetError("car sheet", ["pit_wall: is missing; add [pit_wall] with host and topic (docs/pit-wall.md)"])
    if rehearsal:
        from ingest.rehearsal_mark import marked

        sheet = marked(sheet)
    return Desk(Publisher(wall, sheet.car.name, loop=loop).start(), sheet.car.name)
