"""Turns pydantic's list of mistakes into lines for a person: where, what was expected, what was found, a hint.

Pure functions; nothing is read or written.
"""

from __future__ import annotations

import difflib
import types
from typing import Annotated, Any, Union, get_args, get_origin

from pydantic import BaseModel, ValidationError

from ingest.text import clean

# pydantic's error kinds that a plainer sentence can replace; the rest keep pydantic's own message.
_PLAIN = {
    "missing": "is missing",
    "float_type": "must be a number",
    "float_parsing": "must be a number",
    "int_type": "must be a whole number",
    "int_parsing": "must be a whole number",
    "int_from_float": "must be a whole number",
    "bool_type": "must be true or false",
    "bool_parsing": "must be true or false",
    "string_type": "must be a text in quotes",
    "list_type": "must be a table of [x, y] pairs",
    "model_type": "must be a table of keys",
    "finite_number": "must be a finite number",
    "string_too_short": "must not be empty",
    "string_too_long": "is too long",
    "too_long": "has too many values",
    "tuple_type": "must be a list of values",
}


def describe_problems(error: ValidationError, model: type[BaseModel], prefix: tuple[str, ...] = ()) -> list[str]:
    """One line for each mistake in `error`, in the sheet's order, without repeats.

    Parameters
    ----------
    error : ValidationError
        What pydantic found.
    model : type of BaseModel
        The model that was validated; its fields give the hints for unknown keys.
    prefix : tuple of str
        Keys to put before every path, for a part validated on its own.
    """
    lines: list[str] = []
    for problem in error.errors(include_url=False):
        path, holder = _resolve(model, problem["loc"])
        if problem["type"] == "value_error" and not problem["loc"] and not prefix:
            # What is found about the sheet as a whole comes as lines that name their keys.
            lines += [clean(line, 400) for line in _own_words(problem).split("\n")]
            continue
        where = ".".join((*prefix, *path)) or "the sheet"
        line = f"{clean(where)}: {_sentence(problem, path, holder)}"
        if line not in lines:
            lines.append(line)
    return _without_branch_noise(lines)


def _sentence(problem: Any, path: list[str], holder: type[BaseModel] | None) -> str:
    kind = problem["type"]
    context = problem.get("ctx", {})
    if kind == "extra_forbidden":
        return _unknown_key(path[-1] if path else "", holder)
    if kind == "missing" and path and path[-1] in {"FL", "FR", "RL", "RR"}:
        return f"is missing; add a [corner.{path[-1]}] table with its sensor"
    found = f", not {clean(repr(problem['input']), 40)}" if _is_plain(problem.get("input")) else ""
    if kind == "literal_error":
        return f"must be one of {context['expected']}{found}"
    if kind in {"greater_than", "greater_than_equal", "less_than", "less_than_equal"}:
        word = {"gt": "above", "ge": "at least", "lt": "below", "le": "at most"}
        bound = next((f"{word[key]} {value:g}" for key, value in context.items() if key in word), "within limits")
        return f"must be {bound}{found}"
    if kind == "value_error":
        return clean(_own_words(problem), 400)
    if kind in _PLAIN:
        return _PLAIN[kind] + (found if kind != "missing" else "")
    return clean(problem["msg"], 200) + found


def _own_words(problem: Any) -> str:
    return str(problem["msg"]).removeprefix("Value error, ")


def _unknown_key(key: str, holder: type[BaseModel] | None) -> str:
    known = list(holder.model_fields) if holder is not None else []
    near = difflib.get_close_matches(key, known, n=1, cutoff=0.5)
    if near:
        return f"unknown key; did you mean {near[0]}?"
    return "unknown key" + (f"; known here: {', '.join(known)}" if known else "")


def _is_plain(value: object) -> bool:
    return isinstance(value, str | int | float | bool)


def _resolve(model: type[BaseModel], location: tuple[int | str, ...]) -> tuple[list[str], type[BaseModel] | None]:
    """The readable path of a mistake, and the model that holds its last key.

    pydantic adds the branch of a union to the location ("float", "list[...]"); those are not keys of the sheet.
    """
    path: list[str] = []
    holder: type[BaseModel] | None = model
    current: list[Any] = [model]
    for step in location:
        if isinstance(step, int):
            path.append(f"{'value' if path and path[-1].startswith('row ') else 'row'} {step + 1}")
            current = [inner for annotation in current for inner in _inner(annotation)]
            continue
        models = [a for a in current if isinstance(a, type) and issubclass(a, BaseModel)]
        if models:
            holder = models[0]
            path.append(step)
            field = holder.model_fields.get(step)
            current = _flatten(field.annotation) if field is not None else []
        elif any(get_origin(a) is dict for a in current):
            path.append(step)
            current = [v for a in current if get_origin(a) is dict for v in _flatten(get_args(a)[1])]
        elif not current:
            path.append(step)
    return path, holder


def _flatten(annotation: Any) -> list[Any]:
    origin = get_origin(annotation)
    if origin is Annotated:
        return _flatten(get_args(annotation)[0])
    if origin in (Union, types.UnionType):
        return [inner for branch in get_args(annotation) for inner in _flatten(branch)]
    return [annotation]


def _inner(annotation: Any) -> list[Any]:
    return [inner for argument in get_args(annotation) for inner in _flatten(argument)]


def _without_branch_noise(lines: list[str]) -> list[str]:
    """Where a value may be a number or a table, drop "must be a number" beside a more telling line for the same key."""
    by_place: dict[str, list[str]] = {}
    for line in lines:
        by_place.setdefault(line.split(": ", 1)[0], []).append(line)
    kept = []
    for line in lines:
        place, sentence = line.split(": ", 1)
        rivals = [other for other in by_place if other == place or other.startswith(place + ".row")]
        telling = [text for other in rivals for text in by_place[other] if text != line]
        if sentence.startswith(("must be a number", "must be a table of")) and telling:
            deeper = any(not text.startswith(place + ": ") for text in telling)
            if deeper or not all(text.split(": ", 1)[1].startswith("must be a") for text in telling):
                continue
            if sentence.startswith("must be a table of"):
                continue
        kept.append(line)
    return kept
