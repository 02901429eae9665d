"""What a recording says of its run: program, car, sheet, link. Never a password.

In: a sheet and its text. Out: a dictionary for `ingest.recording.Recorder`. A sheet has no key for a password (it
names a variable or a file), but its comments may hold anything: whatever looks like a secret is left out.
"""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Any

from ingest.recording_block import FORMAT, FORMAT_VERSION

if TYPE_CHECKING:  # a recorder needs no sheet, and a sheet takes half a second to import
    from ingest.sheet import Sheet
    from ingest.sheet_link import LinkLayout

LEFT_OUT = "(left out)"
_SECRET = re.compile(r"pass(word|wd|phrase)|secret|token|credential", re.IGNORECASE)
_HARMLESS_KEYS = ("password_variable", "password_file")
_HARMLESS = re.compile(r"""(?:password_variable|password_file)["']?\s*=\s*(?:"[^"\n]*"|'[^'\n]*')""")
_USER_IN_ADDRESS = re.compile(r"//[^/@\s\"']+@")


def describe_run(sheet: Sheet, sheet_text: str, program_version: str) -> dict[str, object]:
    """The header of a run's recordings, but for the times and names that the recorder adds.

    Parameters
    ----------
    sheet : Sheet
        The car's, with its `link`.
    sheet_text : str
        The file it was read from; lines that mention a secret are left out.
    program_version : str
        Of this program.
    """
    return {
        "format": FORMAT,
        "format_version": FORMAT_VERSION,
        "program_version": program_version,
        "car": sheet.car.name,
        "sheet_sha256": sheet.digest,
        "sheet": _text_without_secrets(sheet_text),
        "link": None if sheet.link is None else without_secrets(sheet.link.model_dump(mode="json")),
    }


def describe_layout(link: LinkLayout) -> dict[str, Any]:
    """The part of a link's description that tells how its bytes are laid out, whatever port or broker they use."""
    return link.model_dump(mode="json", exclude={"serial", "mqtt"})


def without_secrets(value: Any) -> Any:
    """The same, with the values of keys that name a secret, and users in addresses, left out."""
    if isinstance(value, dict):
        return {
            str(key): LEFT_OUT
            if _SECRET.search(str(key)) and key not in _HARMLESS_KEYS and inner is not None
            else without_secrets(inner)
            for key, inner in value.items()
        }
    if isinstance(value, list | tuple):
        return [without_secrets(inner) for inner in value]
    if isinstance(value, str) and "\n" in value:
        return _text_without_secrets(value)
    return _USER_IN_ADDRESS.sub(f"//{LEFT_OUT}@", value) if isinstance(value, str) else value


def _text_without_secrets(text: str) -> str:
    return "\n".join(_line_without_secrets(line) for line in text.split("\n"))


def _line_without_secrets(line: str) -> str:
    line = _USER_IN_ADDRESS.sub(f"//{LEFT_OUT}@", line)
    if not _SECRET.search(_HARMLESS.sub("", line)):
        return line
    # Mostly it is the comment that says too much; the key before it is needed to read the sheet again.
    kept = line.partition("#")[0].rstrip()
    return f"# {LEFT_OUT}" if not kept or _SECRET.search(_HARMLESS.sub("", kept)) else f"{kept}  # {LEFT_OUT}"
