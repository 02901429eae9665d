"""Hostile strings are made safe: no control, format or private character is left, and the length is bounded."""

from __future__ import annotations

import unicodedata

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ingest.text import clean

ANY_TEXT = st.text(st.characters(codec=None, categories=None), max_size=80)


@given(text=ANY_TEXT, length=st.integers(1, 100))
def test_nothing_unsafe_is_left_and_the_length_is_bounded(text: str, length: int) -> None:
    shown = clean(text, length)
    assert len(shown) <= length
    assert not {unicodedata.category(character) for character in shown} & {"Cc", "Cf", "Cs", "Co", "Cn", "Zl", "Zp"}
    shown.encode("utf-8")


@given(text=st.text("abc 12.\u00e9\u6f22", max_size=50))
def test_plain_text_is_left_as_it_is(text: str) -> None:
    assert clean(text) == text


@pytest.mark.parametrize(
    "hostile", ["\x1b[2J", "\x9b31m", "\u202eabc", "\u2066", "\x07", "a\u2028b", "\ud800", "\u200b", "\r\n"]
)
def test_what_a_terminal_would_obey_is_made_visible(hostile: str) -> None:
    shown = clean(hostile)
    assert shown.isprintable()
    assert len(shown) == len(hostile)


def test_a_long_text_is_cut_with_an_ellipsis() -> None:
    assert clean("x" * 10, 4) == "xxx\u2026"
    assert clean("x" * 4, 4) == "xxxx"
    assert len(clean("x" * 10**6)) == 120


def test_other_objects_are_shown_as_text() -> None:
    assert clean(ValueError("a\tb")) == "a b"
