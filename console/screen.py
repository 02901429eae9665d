"""The terminal while the board is up: entered, painted, and given back as it was found.

In: views. Out: bytes on one terminal, only the lines that changed. Leaves the alternate screen and shows the cursor
again on every way out: the end, an exception, Ctrl-C, SIGTERM and SIGHUP (these two as `Terminated`, if wanted).
Draws in the caller's thread, so that whatever goes wrong reaches the caller; a slow terminal gets fewer frames,
never a queue.
"""

from __future__ import annotations

import contextlib
import io
import os
import signal
import sys
import threading
import time
from collections.abc import Callable
from pathlib import Path
from types import FrameType, TracebackType
from typing import IO, Any, Self

from rich.color import ColorSystem
from rich.console import Console
from rich.segment import Segment
from rich.style import Style

from console.board import Board, BoardOptions, render
from console.paint import glyphs_for
from console.view import BoardView

FRAMES_PER_SECOND = 5.0  # numbers that change faster can't be read
_HURRIED_PER_SECOND = 10.0  # while keys are pressed; more would cost more than a tenth of a core
# After a slow write wait this many times as long as it took: at most a fifth of the time goes into a slow terminal.
_SLOW_TERMINAL_REST = 4.0
_ENTER = "\x1b[?1049h\x1b[?25l\x1b[2J"
_LEAVE = "\x1b[0m\x1b[?25h\x1b[?1049l"
_CLEAR = "\x1b[0m\x1b[2J"
# Terminals that know the mode show the frame at once; the others ignore it.
_FRAME_BEGINS, _FRAME_ENDS = "\x1b[?2026h", "\x1b[?2026l"
_COLOR_SYSTEMS = {
    "standard": ColorSystem.STANDARD,
    "256": ColorSystem.EIGHT_BIT,
    "truecolor": ColorSystem.TRUECOLOR,
    "windows": ColorSystem.WINDOWS,
}
_SIGNALS = ("SIGTERM", "SIGHUP")  # by name: SIGHUP is not known everywhere

# The picture for a page: no fonts from elsewhere, no window around it.
_SVG_FORMAT = """\
<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width} {height}" xml:space="preserve">
<style>
.{unique_id}-matrix {{
  font-family: monospace; white-space: pre; font-size: {char_height}px; line-height: {line_height}px;
}}
{styles}
</style>
<title>damperwatch</title>
<defs>
<clipPath id="{unique_id}-clip-terminal">
<rect x="0" y="0" width="{terminal_width}" height="{terminal_height}" />
</clipPath>
{lines}
</defs>
<rect width="{width}" height="{height}" rx="6" fill="#292929" />
<text x="{terminal_x}" y="28" font-family="monospace" font-size="18" fill="#c5c8c6">damperwatch</text>
<g transform="translate({terminal_x}, {terminal_y})" clip-path="url(#{unique_id}-clip-terminal)">
{backgrounds}
<g class="{unique_id}-matrix">
{matrix}
</g>
</g>
</svg>
"""


class Terminated(BaseException):
    """The system asked the program to end. Like KeyboardInterrupt it passes every `except Exception`.

    Attributes
    ----------
    signal : int
        Number of the signal; the customary exit code is 128 more.
    """

    def __init__(self, number: int) -> None:
        super().__init__(number)
        self.signal = number

    @property
    def exit_code(self) -> int:
        """128 + the signal's number."""
        return 128 + self.signal


def make_console(file: IO[str] | None = None, *, no_color: bool = False) -> Console:
    """A console for the board: nothing in its text is interpreted, and its size is asked of the terminal each time."""
    # Exported COLUMNS and LINES would pin the size, so that a resize went unseen.
    environ = {name: value for name, value in os.environ.items() if name not in {"COLUMNS", "LINES"}}
    return Console(
        file=file,
        markup=False,
        emoji=False,
        highlight=False,
        no_color=True if no_color else None,
        legacy_windows=False,
        _environ=environ,
    )


def can_show_board(file: IO[str] | None = None) -> bool:
    """Whether the stream is a terminal that can place its cursor; elsewhere plain lines are right."""
    # Asked of the stream itself: the variables that force colour into a pipe make no terminal of it.
    console = make_console(file)
    return (sys.stdout if file is None else file).isatty() and not console.is_dumb_terminal


class BoardScreen:
    """Shows views on the alternate screen; a context manager.

    Parameters
    ----------
    console : Console or None
        Where to draw; by default standard output.
    no_color : bool
        Leave colour out; reverse video and bold stay. The environment's NO_COLOR does the same.
    clock : callable
        Monotonic seconds.
    synchronised : bool
        Bracket each frame, so that a terminal that can shows it in one go.
    catch_signals : bool
        Turn SIGTERM and SIGHUP into `Terminated`. False where the caller has handlers of its own that end the run in
        order: then leaving the context is what gives the screen back.
    """

    def __init__(
        self,
        console: Console | None = None,
        *,
        no_color: bool = False,
        clock: Callable[[], float] = time.monotonic,
        synchronised: bool = True,
        catch_signals: bool = True,
    ) -> None:
        self.console = console or make_console(no_color=no_color)
        self._clock = clock
        self._synchronised = synchronised
        self._wants_signals = catch_signals
        self._options = BoardOptions(glyphs_for(self.console.encoding))
        self._shown: list[str] = []
        self._size = (0, 0)
        self._next_frame = self._soonest = float("-inf")
        self._handlers: dict[int, Any] = {}
        self._leaving = False

    def __enter__(self) -> Self:
        """Take the screen."""
        if isinstance(self.console.file, io.TextIOWrapper):
            self.console.file.reconfigure(errors="replace")
        self._leaving = False
        self._catch_signals()
        try:
            self._write(_ENTER)
        except BaseException:
            self._leave()
            raise
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, traceback: TracebackType | None
    ) -> None:
        """Give the screen back."""
        self._leave()

    def rest(self) -> None:
        """Give the screen back for a while; `wake` takes it again."""
        self._leave()

    def wake(self) -> None:
        """Take the screen again and draw all of it at the next frame, which is due at once."""
        self._size, self._next_frame = (0, 0), float("-inf")
        self.__enter__()

    def hurry(self) -> None:
        """A person waits for this change: the next frame is due sooner, but no sooner than the terminal can take."""
        self._next_frame = min(self._next_frame, self._soonest)

    def due(self, now: float | None = None) -> bool:
        """Whether it is time for another frame; `now` is by the screen's clock, asked of it when left out."""
        return (self._clock() if now is None else now) >= self._next_frame

    def show(self, view: BoardView) -> None:
        """Draw a view at the terminal's present size."""
        self.show_board(lambda width, height: render(view, width, height, self._options))

    def show_board(self, make: Callable[[int, int], Board]) -> None:
        """Draw what `make` gives for the terminal's present columns and rows."""
        begun = self._clock()
        width, height = self._measure()
        lines = self._lines(make(width, height))
        output = []
        if (width, height) != self._size:
            self._size, self._shown = (width, height), []
            output.append(_CLEAR)
        for row, line in enumerate(lines):
            if row >= len(self._shown) or self._shown[row] != line:
                output.append(f"\x1b[{row + 1};1H{line}")
        self._shown = lines
        if output:
            frame = "".join(output)
            before_write = self._clock()
            self._write(f"{_FRAME_BEGINS}{frame}{_FRAME_ENDS}" if self._synchronised else frame)
            took = self._clock() - before_write
        else:
            took = 0.0
        self._next_frame = begun + max(1.0 / FRAMES_PER_SECOND, _SLOW_TERMINAL_REST * took)
        self._soonest = begun + max(1.0 / _HURRIED_PER_SECOND, _SLOW_TERMINAL_REST * took)

    @property
    def size(self) -> tuple[int, int]:
        """Columns and rows of the terminal as of now."""
        return self._measure()

    def _measure(self) -> tuple[int, int]:
        """Columns and rows of the terminal drawn on, asked at every frame so that a resize needs no signal."""
        try:
            size = os.get_terminal_size(self.console.file.fileno())
        except (OSError, ValueError):
            return self.console.size
        # A terminal that does not know its size says 0.
        return (size.columns, size.lines) if size.columns and size.lines else self.console.size

    def _lines(self, board: Board) -> list[str]:
        """The board's lines with the escape codes this terminal understands."""
        system = _COLOR_SYSTEMS.get(self.console.color_system or "")
        lines = []
        for line in board.lines:
            # Neighbours of one style as one run: a bar is painted cell by cell.
            segments = Segment.simplify(line.render(self.console))
            lines.append("".join(self._styled(text, style, system) for text, style, _ in segments))
        return lines

    def _styled(self, text: str, style: Style | None, system: ColorSystem | None) -> str:
        if style is None or not style:
            return text
        return (style.without_color if self.console.no_color else style).render(text, color_system=system)

    def _write(self, output: str) -> None:
        self.console.file.write(output)
        self.console.file.flush()

    def _catch_signals(self) -> None:
        # Only the main thread may install handlers; elsewhere the caller's own arrangements hold.
        if not self._wants_signals or threading.current_thread() is not threading.main_thread():
            return
        for name in _SIGNALS:
            number = getattr(signal, name, None)
            if number is not None and signal.getsignal(number) is not signal.SIG_IGN:
                self._handlers[number] = signal.signal(number, self._on_signal)

    def _on_signal(self, number: int, frame: FrameType | None) -> None:  # noqa: ARG002
        # On the way out already: a second signal must not stop the screen from being given back.
        if not self._leaving:
            raise Terminated(number)

    def _leave(self) -> None:
        self._leaving = True
        # The terminal may be gone: then there is nothing to give back.
        with contextlib.suppress(OSError, ValueError):
            self._write((_FRAME_ENDS if self._synchronised else "") + _LEAVE)
        for number, handler in self._handlers.items():
            signal.signal(number, signal.SIG_DFL if handler is None else handler)
        self._handlers.clear()


def export_svg(view: BoardView, path: str | Path, width: int = 120, height: int = 40) -> None:
    """Write a picture of the board, an SVG file that needs nothing from elsewhere.

    Raises
    ------
    OSError
        The file can't be written.
    """
    Path(path).write_text(svg_of(render(view, width, height), width, height), encoding="utf-8")


def svg_of(board: Board, width: int, height: int) -> str:
    """Any screen as the text of an SVG file; what came from files is escaped in it."""
    console = Console(
        record=True,
        file=io.StringIO(),
        width=width,
        height=height,
        force_terminal=True,
        color_system="truecolor",
        no_color=False,
        markup=False,
        emoji=False,
        highlight=False,
        legacy_windows=False,
        _environ={},
    )
    console.print(board, soft_wrap=True)
    return console.export_svg(title="damperwatch", code_format=_SVG_FORMAT)


def board_text(view: BoardView, width: int, height: int, file: IO[str] | None = None) -> str:
    """The board as plain text, one line a row, for a file or a note."""
    encoding = getattr(file or sys.stdout, "encoding", None) or "utf-8"
    return "\n".join(
        line.plain.rstrip() for line in render(view, width, height, BoardOptions(glyphs_for(encoding))).lines
    )
