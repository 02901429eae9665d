"""The whole chain on a live link: receive, record, decode, watch, show.

In: a sheet with a `link`, options. Out: an exit code. What arrives is recorded before anything else happens to it;
every sample ends up used or counted. A silent link trips its alarm by the watchdog; the run ends on Ctrl-C, or by a
key and a second thought, in order. `console.fleet` does it for several cars.
"""

from __future__ import annotations

from collections.abc import Callable

from console.live_run import MakeLink, WatchOptions, link_name, make_link, open_run
from console.outlet import Outlet
from console.reference import load_reference
from console.stopping import Stopping
from ingest.errors import SheetError
from ingest.rehearsal_mark import marked
from ingest.sheet import Sheet

__all__ = ["MakeLink", "WatchOptions", "link_name", "make_link", "watch"]


def watch(
    sheet: Sheet,
    outlet: Outlet,
    options: WatchOptions,
    say: Callable[[str], None],
    link_maker: MakeLink = make_link,
    sheet_text: str = "",
) -> int:
    """Watch until a signal comes (or `seconds` have passed); returns 0, or 128 plus the signal's number.

    `say` takes lines for people that are not part of the run: the link's state before the first sample.

    Raises
    ------
    SheetError, LinkError, ResultsError, JournalError
        The sheet has no link, the journal is another car's, a setting can't work, or a directory can't be used.
    """
    if sheet.link is None:
        raise SheetError("car sheet", ["link: is missing; add [link] with serial or mqtt (see docs/wiring.md)"])
    reference = None if options.reference is None else load_reference(options.reference, sheet)
    if options.rehearsal:
        sheet = marked(sheet)
    with Stopping() as stopping:
        run = open_run(sheet, sheet_text, outlet, options, say, reference, stopping)
        try:
            run.run(link_maker, options.seconds)
            run.finish()
        finally:
            run.close()
    return stopping.exit_code
