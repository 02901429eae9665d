"""What the wall has asked: answered, refused, never answered, and answers that are none."""

from __future__ import annotations

import json

import pytest

from console.command import Wish
from console.wall_asks import WallAsks

WISH = Wish("acknowledge", "drift", "RR", "Kim")


def answer(identifier: str, **fields: object) -> bytes:
    return json.dumps({"id": identifier, **fields}).encode()


def test_an_answer_is_told_once() -> None:
    asks = WallAsks()
    command = asks.ask(WISH, "run", 0.0)
    assert asks.hear(answer(command.id, words="acknowledge", accepted=True)).startswith("done: acknowledge")
    assert asks.hear(answer(command.id, words="acknowledge", accepted=True)) == ""
    assert asks.overdue(100.0) == ""


@pytest.mark.parametrize("fields", [{}, {"words": "x"}, {"accepted": True}])
def test_an_answer_that_is_none_silences_nothing(fields: dict[str, object]) -> None:
    asks = WallAsks()
    command = asks.ask(WISH, "run", 0.0)
    assert asks.hear(answer(command.id, **fields)) == ""
    assert asks.overdue(100.0).startswith("NO ANSWER: acknowledge")


def test_a_refusal_is_told_with_its_words() -> None:
    asks = WallAsks()
    command = asks.ask(WISH, "run", 0.0)
    assert "REFUSED" in asks.hear(answer(command.id, words="no such alarm", accepted=False))
