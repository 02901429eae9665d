"""TOML text as a dictionary: what car sheets and plans have in common before their keys are looked at.

In: a file's bytes. Out: a dictionary. Raises the error it is given, a `SheetError` or a kind of it. No I/O.
"""

from __future__ import annotations

import tomllib
from typing import Any

from ingest.errors import SheetError
from ingest.text import clean


def parsed(content: bytes, shown: str, failure: type[SheetError] = SheetError) -> dict[str, Any]:
    """Bytes of a TOML file, parsed; `shown` is its name in errors.

    Raises
    ------
    SheetError
        Or `failure`: the content is no UTF-8, no TOML, or nested too deeply.
    """
    try:
        return tomllib.loads(content.decode("utf-8-sig"))
    except UnicodeDecodeError as error:
        raise failure(shown, [f"is not UTF-8 text (byte {error.start}). Is it the log?"]) from None
    except tomllib.TOMLDecodeError as error:
        raise failure(shown, [f"is not valid TOML: {clean(error)}"]) from None
    except RecursionError:
        raise failure(shown, ["is nested too deeply"]) from None
