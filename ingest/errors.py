"""The errors a user can meet, by whose fault they are. Any other exception is a bug of ours.

Each message says where (file, line or key) and what to do; the command line prints it on one or two
lines and never shows a traceback.
"""

from __future__ import annotations


class DamperwatchError(Exception):
    """Base of every error that is reported to a user."""


class SheetError(DamperwatchError):
    """The car sheet can't be used. `problems` lists every mistake found, one line each."""

    what = "the car sheet"

    def __init__(self, path: str, problems: list[str]) -> None:
        self.path = path
        self.problems = problems
        count = "1 mistake" if len(problems) == 1 else f"{len(problems)} mistakes"
        super().__init__(f"{path}: {count} in {self.what}\n" + "\n".join(f"  {line}" for line in problems))


class LogError(DamperwatchError):
    """A log can't be read, or does not hold what the car sheet says it holds."""


class ResultsError(DamperwatchError):
    """A results directory can't be written, or one given as reference can't be used."""


class LinkError(DamperwatchError):
    """A live link can't be opened or was refused."""


class FrameError(DamperwatchError):
    """Bytes on a link that can't be a frame."""


class JournalError(DamperwatchError):
    """The journal of the alarms can't be used, or is another car's."""


class PlanError(SheetError):
    """A rehearsal's plan can't be used. `problems` lists every mistake found, one line each."""

    what = "the plan"
