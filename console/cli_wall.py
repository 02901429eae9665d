"""The commands of the pit wall: `wall` shows what a monitor publishes, `act` does one thing to one of its alarms.

Both reach the monitor through a broker; an address that can't be is wrong usage. Libraries are imported inside, so that
--help stays quick.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from console.help_pages import Page

if TYPE_CHECKING:
    from ingest.sheet_wall import PitWall


# As in alerts.monitor.ACTIONS, which a test holds this against: importing it would slow --help down.
ACTIONS = ("acknowledge", "reset", "shelve", "unshelve", "out_of_service", "return_to_service")


@click.command(cls=Page)
@click.option("--mqtt", "broker", required=True, metavar="HOST[:PORT]", help="The broker.")
@click.option(
    "--topic",
    "given",
    required=True,
    multiple=True,
    metavar="PREFIX",
    help="As topic in the sheet's [pit_wall]; more than once for several cars. With + for a level, as in pit/+, it "
    "finds cars.",
)
@click.option("--user", help="Broker user.")
@click.option("--password-variable", help="Environment variable that holds the password.")
@click.option("--name", help="Who acts at the keys; without it the login name.")
@click.option("--bell", is_flag=True, help="Ring the terminal's bell for each new alert.")
@click.option("--plain", is_flag=True, help="Plain lines, also in a terminal.")
@click.option("--no-color", is_flag=True, help="No colour; the NO_COLOR variable does the same.")
def wall(
    broker: str,
    given: tuple[str, ...],
    user: str | None,
    password_variable: str | None,
    name: str | None,
    bell: bool,
    plain: bool,
    no_color: bool,
) -> None:
    """Show the alerts that a monitor publishes, large enough to read across a garage, and act on them.

    The monitor is "damperwatch watch" or "replay" with --publish. Arrow keys or Tab select an alert; a acknowledges it;
    ? lists all keys. Ctrl-C ends it. Of several cars each has its place, and their alerts stand in one list; a car that
    --topic names and that is not there is shown as never heard.

    \b
    Examples:
      damperwatch wall --mqtt 192.0.2.10:1883 --topic pit/car
      damperwatch wall --mqtt 192.0.2.10:1883 --topic pit/car --name Kim --bell
      damperwatch wall --mqtt 192.0.2.10 --topic pit/CAR_1 --topic pit/CAR_2
      damperwatch wall --mqtt 192.0.2.10 --topic 'pit/+'
    """
    from console.screen import can_show_board
    from console.wall import wall as run_wall
    from console.wall_topics import read_topics

    try:
        topics = read_topics(given)
    except ValueError as error:
        raise click.UsageError(f"--topic: {error}") from None
    # Any prefix will do: all cars stand at one broker.
    place = _pit_wall(broker, topics.one or "any", user, password_variable)
    with_screen = can_show_board() and not plain
    code = run_wall(place, topics, click.echo, with_screen=with_screen, no_color=no_color, name=name, bell=bell)
    raise SystemExit(code)


@click.command(cls=Page)
@click.argument("action", metavar="ACTION", type=click.Choice(ACTIONS))
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
