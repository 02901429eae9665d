"""Whatever anybody sends or a log holds: bounded, harmless, and described by the schema."""

from __future__ import annotations

import copy
import json
import math
from dataclasses import replace
from pathlib import Path
from typing import Any

import jsonschema  # type: ignore[import-untyped]
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from alerts.alert import Definition, Evidence, Standing, Transition
from alerts.lifecycle import State
from alerts.monitor import ACTIONS, Monitor
from alerts.payload import (
    MOST_COMMAND_BYTES,
    MOST_STATE_BYTES,
    MOST_TRANSITION_BYTES,
    Command,
    StateWriter,
    answer_payload,
    command_payload,
    heartbeat_payload,
    name_shown,
    online_payload,
    read_command,
    transition_payload,
    transition_record,
)
from console.describe import describe_transition
from console.paint import BLOCKS
from console.wall_board import plain_words, wall_board
from console.wall_book import WallBook
from tests.monitored import RATE, chunk, easy_sheet, flat

SCHEMA = json.loads((Path(__file__).parents[2] / "docs/alerts.schema.json").read_text(encoding="utf-8"))
VALIDATOR = jsonschema.Draft202012Validator(SCHEMA)
# What a terminal obeys, what hides or reorders, and what breaks a line.
UNSAFE = {chr(n) for n in (*range(32), *range(0x7F, 0xA0), 0x200B, 0x202E, 0x2028, 0x2029, 0xFEFF)}
HOSTILE_TEXT = st.sampled_from(
    [
        "\x1b[2J\x1b]0;x\x07",
        "\x9b31m",
        "\u202ekam\u200b",
        "a\nb\r\tc",
        "\x00",
        "\u2028",
        "x" * 1_000_000,
        '"\\',
        "",
        "\ud800",
    ]
)
TEXT = HOSTILE_TEXT | st.text(max_size=80)
NUMBER = st.floats() | st.integers(-(10**400), 10**400)
LEAF = st.none() | st.booleans() | NUMBER | TEXT
JSON = st.recursive(
    LEAF, lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.text(max_size=9), inner, max_size=4)
)
RAW = st.sampled_from(
    [
        b"",
        b"\xff\xfe\x00",
        b'"\xc3\x28"',
        b"[" * 2000,
        b'{"a":' * 400 + b"1" + b"}" * 400,
        b"[" * 100_000,
        b"1" * 5000,
        b"1e999",
        b"-Infinity",
        b"NaN",
        b"{}",
        b"null",
        b'"\\ud800"',
        b"x" * 1_000_000,
        b'{"format":"damperwatch state","format":"damperwatch command"}',
    ]
)
COMMAND = json.loads(
    command_payload(
        Command(
            id="command-1", run="run-1", kind="platform_low", where="nose", action="shelve", who="Kim", shelve_s=60.0
        )
    )
)


def encoded(value: Any) -> bytes:
    return json.dumps(value).encode("utf-8", "surrogatepass")


def spoilt(record: dict[str, Any], data: st.DataObject) -> bytes:
    """A message with some of its values, at any depth, replaced, left out or added."""
    record = copy.deepcopy(record)
    for _ in range(data.draw(st.integers(1, 3))):
        place: Any = record
        while isinstance(place, dict | list) and place:
            key = data.draw(st.sampled_from(sorted(place) if isinstance(place, dict) else list(range(len(place)))))
            if isinstance(place[key], dict | list) and place[key] and data.draw(st.booleans()):
                place = place[key]
                continue
            if data.draw(st.integers(0, 4)) == 0:
                del place[key]
            else:
                place[key] = data.draw(JSON)
            break
        if data.draw(st.integers(0, 9)) == 0:
            record[data.draw(TEXT)] = data.draw(LEAF)
    return encoded(record)


def transition(sentence: str = "low", where: str = "nose", number: float = 1.0, **named: Any) -> Transition:
    definition = Definition("platform_low", where, "high", caution=sentence)
    evidence = Evidence(number, number, sentence, 0, sentence, sentence, severity=number)
    made = Transition(
        1, 10, number, sentence, definition, "occurs", State.UNACKNOWLEDGED, False, True, 1, evidence, number, sentence
    )
    return replace(made, **named)


def is_harmless(payload: bytes) -> bool:
    text = json.dumps(json.loads(payload), ensure_ascii=False)
    return not any(mark in text for mark in UNSAFE) and not any(f"\\u00{n:02x}" in text for n in range(32))


# ---------------------------------------------------------------- what goes out


@pytest.mark.parametrize("shelved", [False, True])
@pytest.mark.parametrize("out_of_service", [False, True])
def test_a_transition_says_which_silences_a_person_chose(shelved: bool, out_of_service: bool) -> None:
    told = transition(shelved=shelved, out_of_service=out_of_service)
    record = json.loads(transition_payload(told, "run-1", "Car"))
    VALIDATOR.validate(record)
    assert (record["shelved"], record["out_of_service"]) == (shelved, out_of_service)
    # The results' line and the pit wall's message are one record.
    assert describe_transition(told) == transition_record(told)
    assert record.keys() - describe_transition(told).keys() == {"format", "format_version", "run", "car"}
    for needed in ("shelved", "out_of_service"):
        with pytest.raises(jsonschema.ValidationError):
            VALIDATOR.validate({key: value for key, value in record.items() if key != needed})


@settings(max_examples=150, deadline=None)
@given(TEXT, TEXT, st.floats())
def test_what_goes_out_is_bounded_harmless_and_of_the_schema(text: str, name: str, number: float) -> None:
    writer = StateWriter("run-1", name)
    told = transition(text, name, number)
    writer.take([told])
    standing = Standing(told.definition, State.UNACKNOWLEDGED, True, True, told.evidence, 0, who=text)
    listed = [replace(standing, suppressed=False), standing]
    state = writer.payload(listed, lambda _: number, lambda _: text, time_s=number, sample_age_s=number, link=text)
    payload = transition_payload(told, "run-1", name)
    assert len(payload) <= MOST_TRANSITION_BYTES
    assert len(state) <= MOST_STATE_BYTES
    others = (
        online_payload("run-1", name, online=False, reason=text),
        heartbeat_payload("run-1", 1, time_s=number, sample_age_s=number, link=text, refused=0, dropped=0),
        answer_payload("run-1", "command-1", accepted=False, words=text),
    )
    for each in (payload, state, *others):
        VALIDATOR.validate(json.loads(each, parse_constant=lambda constant: pytest.fail(constant)))
        assert is_harmless(each)


# ---------------------------------------------------------------- what comes in


def read_or_refused(payload: bytes) -> Command | None:
    try:
        return read_command(payload)
    except ValueError as error:
        refusal = error
    said = str(refusal)
    assert len(said) < 130
    assert said.isprintable()
    assert type(refusal) is ValueError  # a reason of ours, no decoder's with a piece of the input in it
    return None


@given(st.binary(max_size=300) | RAW)
def test_bytes_from_anybody_are_a_command_or_refused(payload: bytes) -> None:
    assert read_or_refused(payload) is None


@settings(max_examples=300, deadline=None)
@given(st.data())
def test_a_spoilt_command_is_refused_or_within_its_bounds(data: st.DataObject) -> None:
    payload = spoilt(COMMAND, data)
    command = read_or_refused(payload)
    if command is None:
        return
    assert len(payload) <= MOST_COMMAND_BYTES
    VALIDATOR.validate(json.loads(command_payload(command)))
    assert command.action in ACTIONS
    assert command.shelve_s is None or math.isfinite(command.shelve_s)
    shown = name_shown(command.who, "kim")
    assert len(shown) <= 83
    assert not UNSAFE & set(shown)


@settings(max_examples=80, deadline=None)
@given(st.data())
def test_a_command_that_was_read_is_obeyed_or_refused_in_a_clean_sentence(data: st.DataObject) -> None:
    hostile = TEXT.filter(lambda text: len(text) < 60 and "\ud800" not in text)
    record = COMMAND | {
        name: data.draw(hostile | st.just(COMMAND[name]), label=name) for name in ("kind", "where", "who", "run")
    }
    command = read_or_refused(encoded(record))
    if command is None:
        return
    monitor = Monitor(easy_sheet(), RATE, ())
    monitor.process(chunk(flat(100)))
    said = ""
    try:
        step = monitor.act((command.kind, command.where), command.action, name_shown(command.who, "kim"), shelve_s=60.0)
    except ValueError as error:
        said = str(error)
        assert said
    else:
        assert all(is_harmless(transition_payload(told, "run-1", "Car")) for told in step.transitions)
    assert not UNSAFE & set(said)
    assert len(said) < 200


def messages() -> dict[str, dict[str, Any]]:
    writer, told = StateWriter("run-1", "Car"), transition()
    standing = Standing(told.definition, State.UNACKNOWLEDGED, evidence=told.evidence, since_sample=0)
    shelved = Standing(Definition("bump_stop", "FL", "low"), shelved_until_sample=9)
    state = writer.payload([standing, shelved], float, lambda _: "3", time_s=1.0, sample_age_s=0.1)
    beat = heartbeat_payload("run-1", 1, time_s=1.0, sample_age_s=0.1, link="", refused=0, dropped=0)
    online = online_payload("run-1", "Car", online=False, reason="ended")
    return {"state": json.loads(state), "heartbeat": json.loads(beat), "online": json.loads(online)}


MESSAGES = messages()


@settings(max_examples=400, deadline=None)
@given(st.sampled_from(sorted(MESSAGES)), st.data())
def test_a_wall_that_hears_anything_shows_nothing_unsafe(name: str, data: st.DataObject) -> None:
    book = WallBook(0.0)
    book.broker(there=True, now=0.0)
    for each in ("state", "heartbeat"):
        book.hear(each, encoded(MESSAGES[each]), 0.0)
    if data.draw(st.integers(0, 3)):
        payload = spoilt(MESSAGES[name], data)
    else:
        payload = data.draw(RAW | JSON.map(encoded) | st.binary(max_size=200))
    book.hear(name, payload, 0.1)
    shown = [book.trouble(0.2), book.car, str(book.learning), str(book.left_out)]
    for entry in (*book.alarms, *book.hidden):
        shown += [str(value) for value in (vars(entry).values() if hasattr(entry, "__dict__") else [entry])]
    assert not any(UNSAFE & set(text) for text in shown)
    assert all(len(text) < 1000 for text in shown)


LEAVES: list[Any] = [
    None,
    True,
    -1,
    10**400,
    math.nan,
    math.inf,
    -math.inf,
    1e300,
    "",
    "\x1b[2J\x9b\u202e\n",
    "x" * 90_000,
    [],
    {},
    [[[{}]]],
    {"kind": {}},
]


def places(value: Any, path: tuple[Any, ...] = ()) -> list[tuple[Any, ...]]:
    """Every place in a message."""
    inner = value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
    return [*([path] if path else []), *(place for key, each in inner for place in places(each, (*path, key)))]


@pytest.mark.parametrize("name", sorted(MESSAGES))
def test_a_wall_lives_through_every_wrong_value_in_every_place(name: str) -> None:
    for path in places(MESSAGES[name]):
        for leaf in LEAVES:
            record = copy.deepcopy(MESSAGES[name])
            inside: Any = record
            for key in path[:-1]:
                inside = inside[key]
            inside[path[-1]] = leaf
            book = WallBook(0.0)
            book.broker(there=True, now=0.0)
            for each in ("state", "heartbeat"):
                book.hear(each, encoded(MESSAGES[each]), 0.0)
            book.hear(name, encoded(record), 0.1)
            for said in (plain_words(book, 0.2), *(line.plain for line in wall_board(book, 0.2, 80, 24, BLOCKS).lines)):
                assert not UNSAFE & set(said), (path, leaf)
