"""The page in a real browser: nothing is fetched, nothing complains, nothing sticks out, and it prints."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.console.browser import CHROMIUM, Browser, browser
from tests.console.debrief_stints import SECTIONS, copied, lines_of, rewrite, run, shipped, summary_of

pytestmark = pytest.mark.skipif(CHROMIUM is None, reason="no chromium installed: apt-get install chromium")
PHONE, A4 = 390, 794  # CSS pixels; A4 is 210 mm at 96 a inch
# Longest of words that a browser can't break, and lap names as a hostile log might have them.
LONG = "W" * 300
A4_POINTS = (595, 842)


@pytest.fixture(scope="module")
def chromium() -> Iterator[Browser]:
    with browser() as found:
        yield found


@pytest.fixture(scope="module")
def pages(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    """A plain page, one of two stints, one of an interrupted run, and one of hostile strings."""
    folder = tmp_path_factory.mktemp("pages")
    found = {name: folder / f"{name}.html" for name in ("plain", "compared", "interrupted", "hostile")}
    torn = copied(folder / "torn")
    (torn / "summary.json").unlink()
    nasty = copied(folder / "nasty")
    summary = summary_of(nasty)
    summary["platform"][LONG] = summary["platform"].pop("splitter_left")
    rewrite(nasty, car=LONG, source="<script>document.title='x'</script>", platform=summary["platform"])
    laps = [lap | {"lap": LONG, "reason": LONG} for lap in lines_of(nasty, "laps.jsonl")]
    (nasty / "laps.jsonl").write_text("".join(json.dumps(lap) + "\n" for lap in laps))
    made = {
        "plain": (shipped(),),
        "compared": (shipped(), "--compare", shipped("healthy")),
        "interrupted": (torn,),
        "hostile": (nasty,),
    }
    for name, arguments in made.items():
        result = run("debrief", *arguments, "--output", found[name])
        assert result.exit_code == 0, result.output
    return found


@pytest.mark.parametrize("width", [PHONE, A4])
@pytest.mark.parametrize("name", ["plain", "compared", "interrupted", "hostile"])
def test_nothing_is_fetched_nothing_complains_nothing_sticks_out(
    chromium: Browser, pages: dict[str, Path], name: str, width: int
) -> None:
    chromium.open(pages[name], width)
    assert chromium.requests() == [pages[name].resolve().as_uri()]
    assert chromium.complaints() == []
    assert chromium.value("document.documentElement.scrollWidth") <= width
    assert chromium.value("window.innerWidth") == width
    assert chromium.value("document.scripts.length") == 0
    present = chromium.value("[...document.querySelectorAll('main > section')].map(one => one.id)")
    assert [section for section in SECTIONS if section not in present] == []
    assert chromium.value("document.documentElement.lang") == "en"
    assert chromium.value("document.title").startswith("Debrief")


@pytest.mark.parametrize("width", [PHONE, A4])
def test_words_in_figures_stay_inside_them_and_apart(chromium: Browser, pages: dict[str, Path], width: int) -> None:
    chromium.open(pages["plain"], width)
    outside = chromium.value(
        """[...document.querySelectorAll('figure svg')].flatMap(svg => {
            const frame = svg.getBoundingClientRect();
            return [...svg.querySelectorAll('text')].filter(one => {
                const box = one.getBoundingClientRect();
                return box.left < frame.left - 1 || box.right > frame.right + 1
                    || box.top < frame.top - 1 || box.bottom > frame.bottom + 1;
            }).map(one => one.textContent);
        })"""
    )
    assert outside == []
    smallest = chromium.value(
        "Math.min(...[...document.querySelectorAll('figure svg text')].map(one => one.getBoundingClientRect().height))"
    )
    assert smallest >= 8.0, "words of a figure must be readable on a phone"


def test_every_figure_and_table_can_be_read_without_seeing_it(chromium: Browser, pages: dict[str, Path]) -> None:
    chromium.open(pages["compared"], A4)
    for what in (
        "[...document.querySelectorAll('figure svg')].filter(one => one.getAttribute('role') !== 'img' || "
        "!document.getElementById(one.getAttribute('aria-labelledby')).textContent).length",
        "[...document.querySelectorAll('table')].filter(one => !one.caption || !one.querySelector('th[scope=col]')"
        " || !one.querySelector('th[scope=row]')).length",
        "[...document.querySelectorAll('figure')].filter(one => !one.querySelector('figcaption, .missing')).length",
    ):
        assert chromium.value(what) == 0, what
    assert chromium.value("document.querySelectorAll('figure svg').length") >= 18


@pytest.mark.parametrize(("name", "most"), [("plain", 10), ("compared", 16), ("interrupted", 9)])
def test_it_prints_on_a_sane_number_of_a4_pages(
    chromium: Browser, pages: dict[str, Path], name: str, most: int
) -> None:
    chromium.open(pages[name], A4)
    printed = chromium.pdf()
    sheets = re.findall(rb"/MediaBox\s*\[\s*0 0 ([\d.]+) ([\d.]+)\s*\]", printed)
    assert 3 <= len(sheets) <= most
    assert {(round(float(wide)), round(float(high))) for wide, high in sheets} == {A4_POINTS}
