"""What every command's --help holds beside its own words: its arguments, its options' defaults, its exit codes.

`Page` is the class of all commands. Texts for arguments and exit codes stand here, because click has no place for
them. Only click is imported, so that --help stays quick.
"""

from __future__ import annotations

import click

_LOG = "A log: CSV, Parquet or HDF5 (.h5, needs the hdf5 extra), or a recording (.dwrec)."
_RECORDING = "A recording that watch made (.dwrec, or .dwrec.part while it is open)."

# Command, argument as shown, meaning.
ARGUMENTS: dict[str, dict[str, str]] = {
    "replay": {"LOG": _LOG},
    "feed": {"LOG": _LOG},
    "survey": {"LOG...": "Logs: CSV, Parquet, HDF5 or recordings."},
    "debrief": {"DIR": "What replay or watch wrote with --out."},
    "verify": {"RECORDING": _RECORDING},
    "export": {"RECORDING": _RECORDING},
    "sheet": {"SHEET": "The car sheet (TOML); without it DAMPERWATCH_CAR or car.toml, as for --car."},
    "new": {"SHEET": "The file to write, such as car.toml."},
    "completion": {"SHELL": "Whose completion to print: bash, zsh or fish."},
    "act": {
        "ACTION": "acknowledge, reset, shelve, unshelve, out_of_service or return_to_service.",
        "KIND": "Which alarm: sensor, bump_stop, platform_low ...",
        "WHERE": "Its corner, point or axle: FL, splitter ...",
    },
}

_DONE, _FAULT, _WRONG = "Done.", "A fault while running.", "Wrong usage, or a bad sheet or log."
EXIT_CODES: dict[str, dict[str, str]] = {
    "verify": {"0": "Clean.", "1": "Something is damaged.", "2": "Wrong usage, or no recording."},
    "zero": {"0": "Written.", "1": "Not written: refused, or not wanted.", "2": _WRONG},
    "sheet": {"0": "The sheet is valid.", "2": "Wrong usage, or mistakes in the sheet."},
    "new": {"0": _DONE, "1": "The file exists, or can't be written.", "2": "Wrong usage, or a bad log."},
    "completion": {"0": _DONE, "2": "Wrong usage."},
    "act": {"0": "The monitor did it.", "1": "Not done, or nobody knows.", "2": "Wrong usage."},
    "wall": {"0": _DONE, "1": _FAULT, "2": "Wrong usage."},
    "survey": {
        "0": "Every log is in the tables.",
        "1": "Some logs are not (each is named), or a fault.",
        "2": "Wrong usage, a bad sheet, or no log could be used.",
    },
    "debrief": {"0": _DONE, "1": _FAULT, "2": "Wrong usage, or no results."},
    "export": {
        "0": "Done, with all that can be read of a damaged recording.",
        "1": "The file exists, or can't be written.",
        "2": "Wrong usage, a bad sheet, or no recording.",
    },
}
_USUAL = {"0": _DONE, "1": _FAULT, "2": _WRONG}
# Those that go on until somebody ends them, or long enough to be ended.
_ENDED = {"128 + n": "Ended by signal n: 130 Ctrl-C, 143 terminated."}


class Page(click.Command):
    """A command whose help tells its arguments and exit codes too."""

    def format_options(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """Write the arguments before the options."""
        known = ARGUMENTS.get(self.name or "", {})
        arguments = [one for one in self.get_params(ctx) if isinstance(one, click.Argument)]
        rows = [(shown, known.get(shown.strip("[]"), "")) for shown in map(self._shown, arguments)]
        if rows:
            with formatter.section("Arguments"):
                formatter.write_dl(rows)
        super().format_options(ctx, formatter)

    def format_epilog(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """Write the exit codes at the end."""
        super().format_epilog(ctx, formatter)
        name = self.name or ""
        codes = EXIT_CODES.get(name, _USUAL)
        with formatter.section("Exit codes"):
            formatter.write_dl(list((codes | ({} if name in {"completion", "new", "sheet"} else _ENDED)).items()))

    @staticmethod
    def _shown(argument: click.Argument) -> str:
        return argument.metavar or (argument.name or "").upper()
