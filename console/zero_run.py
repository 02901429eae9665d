"""The zero command: collect some seconds of the car at rest, judge them, show, ask, write.

In: the sheet, and a log or the sheet's own live link. Out: the sheet with new zeros, or `ZeroError` and nothing
changed. Lines go to `say`, the question to `ask`; no other input or output here but the link's.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from pathlib import Path

from console.live import count_words
from console.live_run import MakeLink, link_name, make_link
from console.zero import CAUTION, Window, collect, measure, zero_lines
from console.zero_write import ZeroError, write_zeros
from ingest.assembler import Assembler
from ingest.errors import LinkError
from ingest.framing import make_decoder
from ingest.inbox import Inbox, Received
from ingest.link_block import LinkCounts
from ingest.log import open_log
from ingest.sheet import Sheet

# Beyond the seconds wanted: time to open a port or find a broker, and to notice that nothing comes.
_PATIENCE_S = 15.0
_LOOK_S = 0.1  # between looks at the clock and at Ctrl-C


def window_of_log(path: Path, sheet: Sheet, from_s: float, seconds: float) -> Window:
    """Collect the seconds from a log or a recording; raises `LogError` when it can't be read."""
    with open_log(path, sheet) as log:
        return collect(log, log.rate_hz, from_s, seconds)


def window_of_link(
    sheet: Sheet,
    seconds: float,
    say: Callable[[str], None],
    link_maker: MakeLink = make_link,
    now: Callable[[], float] = time.monotonic,
) -> Window:
    """Collect the seconds from the sheet's live link.

    Raises
    ------
    LinkError
        The sheet has no link, or it gave too little in time; the link's own words say why.
    """
    if sheet.link is None:
        raise LinkError("the car sheet has no [link]; add one with serial or mqtt, or give --log")
    counts = LinkCounts()
    decoder, assembler = make_decoder(sheet.link, counts), Assembler(sheet, counts)
    inbox = Inbox()
    link = link_maker(sheet.link, _no_tap, inbox)
    window: Window | None = None
    until_s = now() + seconds + _PATIENCE_S
    say(CAUTION)
    say(f"measuring {seconds:g} s on {link_name(sheet.link)}")
    link.start()
    try:
        while now() < until_s:
            for received in inbox.take(_LOOK_S):
                if not received.payload:  # the connection broke here
                    decoder.reset()
                    continue
                for chunk in assembler.take(decoder.feed(received.payload)):
                    window = window or Window(chunk.rate_hz, 0.0, seconds)
                    window.take(chunk)
            if window is not None and window.full:
                return window
        state = link.state
    finally:
        link.stop()
    if window is not None and window.reached:
        return window  # what is missing is told with the rest
    why = "no samples came"
    if counts.bytes:
        why = f"{counts.bytes} bytes came, but no samples ({count_words(counts) or 'no frame'}); check link.format"
    raise LinkError(f"{link_name(sheet.link)}: {why} (link {state.word}: {state.detail})")


def _no_tap(received: Received) -> None:
    """Nothing is recorded."""


def zero(path: Path, sheet: Sheet, window: Window, say: Callable[[str], None], ask: Callable[[], bool] | None) -> bool:
    """Judge a window, show it, and write the zeros into the sheet; returns whether they were written.

    Parameters
    ----------
    path : Path
        The sheet's file.
    sheet : Sheet
        As read from it.
    window : Window
        The car at rest.
    say : callable
        Takes lines.
    ask : callable or None
        Whether to write; None when nobody can be asked, and then nothing is written.

    Raises
    ------
    ZeroError
        The measurement is not to be used, or the sheet can't be written.
    """
    zeros = measure(window, sheet)
    for line in zero_lines(zeros):
        say(line)
    if not zeros.usable:
        refused = [one.corner for one in zeros.corners if one.reasons]
        who = f"{', '.join(refused)} refused" if refused else "refused"
        raise ZeroError(f"{who}; nothing written. Let the car settle and measure again")
    say(CAUTION)
    if ask is None or not ask():
        return False
    backup = write_zeros(path, sheet, zeros.new_mm)
    say(f"written; the sheet as it was is in {backup.name}")
    return True
