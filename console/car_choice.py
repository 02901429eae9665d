"""Which car sheet a command uses when its command line names none.

In: what --car gave, the variable DAMPERWATCH_CAR, and the working directory. Out: a path; a line says which and why
unless --car named it. Raises `click.UsageError` when there is none, and when two differ: none is guessed.
"""

from __future__ import annotations

import os
from collections.abc import Callable
from pathlib import Path

import click

VARIABLE = "DAMPERWATCH_CAR"
USUAL_NAME = "car.toml"


def chosen_sheet(given: Path | None, say: Callable[[str], None], option: str = "--car") -> Path:
    """The sheet to use: the one given, else that of the variable, else car.toml in the working directory.

    Parameters
    ----------
    given : Path or None
        What the command line names.
    say : callable
        Takes the line that tells a choice nobody typed.
    option : str
        How the command line names a sheet, for messages.

    Raises
    ------
    click.UsageError
        There is no sheet, or variable and directory name two different ones.
    """
    if given is not None:
        return given
    named = os.environ.get(VARIABLE, "").strip()
    here = Path(USUAL_NAME)
    there = here.is_file()
    if named and there and not _same(Path(named), here):
        raise click.UsageError(
            f"two car sheets: {VARIABLE} names {named}, and {USUAL_NAME} is in this directory; choose with {option}"
        )
    if named:
        say(f"car sheet (from {VARIABLE}): {named}")
        return Path(named)
    if there:
        say(f"car sheet (in this directory): {USUAL_NAME}")
        return here
    raise click.UsageError(
        f"which car? Name its sheet with {option}, or in {VARIABLE}, or work in a directory with a {USUAL_NAME}"
    )


def _same(one: Path, other: Path) -> bool:
    try:
        return one.samefile(other)
    except (OSError, ValueError):  # the variable names none that is there
        return False
