"""The debrief against an independent reading of the results: numbers, units, dashes, files, exit codes."""

from __future__ import annotations

import json
import math
import re
import statistics
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from console.debrief_alarms import alarms_of, noise_of, waits_s
from console.debrief_compare import doubts
from console.debrief_pyramid import bands
from console.debrief_results import NotResultsError, read_results
from console.debrief_stint import stint_of
from console.debrief_story import story
from ingest.chunk import CORNERS
from tests.console.debrief_stints import (
    SECTIONS,
    bare,
    change,
    copied,
    lines_of,
    page_of,
    rewrite,
    run,
    shipped,
    shipped_page,
    summary_of,
    write_changes,
)


def test_every_section_stands_and_the_story_has_ten_lines() -> None:
    page = shipped_page()
    assert [name for name in SECTIONS if name not in page.ids] == []
    lines = story(stint_of(read_results(shipped())))
    assert len(lines) == 10
    assert all(line in page.text for line in lines)
    assert len(set(page.ids)) == len(page.ids), "ids must be unique"
    assert "never certifies that a car is safe" in page.text
    assert "script" not in page.tags


def test_corner_numbers_are_those_of_the_summary() -> None:
    page, corners = shipped_page(), summary_of(shipped())["corners"]
    table = "Each corner over the stint"
    expected = {
        "Velocity RMS, mm/s": [f"{corners[c]['velocity_rms_mm_s']:.1f}" for c in CORNERS],
        "Time in high-speed rebound, %": [
            f"{100 * corners[c]['time_share']['high_speed_rebound']:.1f}" for c in CORNERS
        ],
        "Time in low-speed compression, %": [
            f"{100 * corners[c]['time_share']['low_speed_compression']:.1f}" for c in CORNERS
        ],
        "Bump-stop contacts": [f"{corners[c]['bump_stop']['contacts']}" for c in CORNERS],
        "Time on bump stop, s": [f"{corners[c]['bump_stop']['total_time_s']:.2f}" for c in CORNERS],
        "Peak force of bump stop, N": [f"{corners[c]['bump_stop']['peak_force_n']:.0f}" for c in CORNERS],
    }
    assert {row: page.cells(table, row) for row in expected} == expected


def test_platform_laps_and_downforce_are_those_of_the_results() -> None:
    page, summary, laps = shipped_page(), summary_of(shipped()), lines_of(shipped(), "laps.jsonl")
    for name, point in summary["platform"].items():
        cells = page.cells("Platform points", name)
        numbers = (point["limit_mm"], point["lowest_mm"], point["p1_mm"])
        assert cells[:3] == [f"{value:.1f}" for value in numbers]
        assert cells[3] == f"{point['time_below_limit_s']:.2f}"
    for lap in laps:
        cells = page.cells("Laps", lap["lap"])
        assert cells[1] == f"{lap['duration_s']:.2f}"
        assert cells[2:6] == [f"{lap['corners'][corner]['velocity_rms_mm_s']:.1f}" for corner in CORNERS]
        nearest = min(point["lowest_mm"] - point["limit_mm"] for point in lap["platform"].values())
        assert cells[7] == f"{nearest:.1f}"
    area = summary["downforce"]["axles"]["rear"]["downforce_area_m2"]
    told = f"{area['value']:.3f} m² (95 %: {area['low_95']:.3f} to {area['high_95']:.3f})"
    assert page.cells("Downforce", "Rear C_z A, m²") == [told]
    assert page.cells("What this rests on", "Car sheet, SHA-256") == [summary["sheet_sha256"]]
    assert page.cells("What this rests on", "Written by damperwatch") == [summary["program_version"]]


def test_the_budget_is_held_against_the_alerts() -> None:
    page, summary = shipped_page(), summary_of(shipped())
    told = sum(one["announced"] for one in lines_of(shipped(), "alerts.jsonl"))
    assert page.cells("Budget of announcements", "Announcements") == [str(told)]
    assert told == summary["alerts"]["announced"]
    assert page.cells("Budget of announcements", "Standing at the end") == [str(len(summary["alerts"]["standing"]))]
    assert len(page.tables["Announcements"]) == told + 1


def test_the_pyramids_movement_is_the_mean_speed_of_the_histogram() -> None:
    histogram = summary_of(shipped())["corners"]["RL"]["velocity_histogram"]
    edges, counts = np.array(histogram["edges_mm_s"]), np.array(histogram["counts"])
    middles = (edges[1:] + edges[:-1]) / 2.0
    corner = stint_of(read_results(shipped())).corners["RL"]
    for compression in (False, True):
        found = sum(band.movement(corner) for band in bands(50.0, 10.0, compression=compression))
        side = middles > 0 if compression else middles < 0
        assert found == pytest.approx(float(np.sum(np.abs(middles[side]) * counts[side]) / counts.sum()), rel=1e-9)
    fast = bands(50.0, 10.0, compression=True)[-1]
    assert fast.is_high_speed
    assert fast.movement(corner) == pytest.approx(float(np.sum((middles * counts)[middles > 200]) / counts.sum()))


def test_the_pyramid_shows_its_numbers() -> None:
    page = shipped_page()
    corner = stint_of(read_results(shipped())).corners["FR"]
    wanted = [f"{band.movement(corner):.1f}" for band in bands(50.0, 10.0, compression=False)]
    shown = page.figures["Velocity pyramid, front axle"]
    assert [number for number in wanted if number not in shown] == []


def told_and_answered() -> list[dict[str, Any]]:
    return [
        change(10.0, "occurs"),
        change(22.5, "acknowledge", state="acknowledged", who="Kim"),
        change(30.0, "returns", state="normal"),
        change(40.0, "occurs", occurrences=2),
        change(41.0, "occurs", where="FR"),
        change(47.0, "acknowledge", where="FR", state="acknowledged", who="Ola"),
    ]


def test_acknowledgements_are_timed_from_their_announcement() -> None:
    alarms = alarms_of(told_and_answered())
    median_s, longest_s, seen, told = waits_s(alarms)
    assert (seen, told) == (2, 3)
    assert median_s == statistics.median([12.5, 6.0])
    assert longest_s == 12.5
    left = next(alarm for alarm in alarms if alarm.where == "FL")
    assert left.held[0] == (10.0, 30.0)
    assert math.isnan(left.held[1][1])
    assert [one.who for one in left.told] == ["Kim", ""]


def test_who_answered_stands_on_the_page(tmp_path: Path) -> None:
    folder = copied(tmp_path)
    write_changes(folder, told_and_answered())
    page = page_of(folder)
    rows = page.tables["Announcements"]
    assert [row[-1] for row in rows[1:]] == ["after 12.5 s by Kim", "– (by nobody)", "after 6.0 s by Ola"]
    assert "2 of 3 were acknowledged (by Kim, Ola), after 9.2 s in the median and 12.5 s at most" in page.text
    assert len(page.tables["What people did"]) == 3


def test_the_budget_counts_each_ten_minutes() -> None:
    changes = [change(time_s, "occurs", where=str(time_s)) for time_s in (1.0, 2.0, 700.0, 1300.0)]
    noise = noise_of(alarms_of(changes), 1800.0)
    assert noise.slots == (2, 1, 1)
    assert noise.in_ten_minutes == pytest.approx(4 / 3)


def test_a_short_stint_is_not_held_to_less_than_one_announcement() -> None:
    assert noise_of(alarms_of([change(5.0, "occurs")]), 60.0).in_ten_minutes == 1.0


def test_without_a_summary_the_page_tells_what_laps_and_alerts_hold(tmp_path: Path) -> None:
    folder = copied(tmp_path)
    (folder / "summary.json").unlink()
    page, laps = page_of(folder), lines_of(folder, "laps.jsonl")
    assert "There is no summary.json" in page.text
    table = "Each corner over the stint"
    contacts = sum(lap["corners"]["FL"]["bump_stop"]["contacts"] for lap in laps)
    assert page.cells(table, "Bump-stop contacts")[0] == str(contacts)
    assert page.cells(table, "Velocity RMS, mm/s") == ["– (no summary)"] * 4
    assert page.cells("Downforce", "Front C_z A, m²") == ["– (the run wrote no summary)"]
    lowest = min(lap["platform"]["splitter_left"]["lowest_mm"] for lap in laps)
    assert page.cells("Platform points", "splitter_left")[1] == f"{lowest:.1f}"


def test_a_damaged_line_costs_that_line_and_is_named(tmp_path: Path) -> None:
    folder = copied(tmp_path)
    lines = (folder / "laps.jsonl").read_text().splitlines()
    lines[2] = lines[2][: len(lines[2]) // 2]
    (folder / "laps.jsonl").write_text("\n".join(lines) + "\n")
    results = read_results(folder)
    assert results.gaps == ["laps.jsonl: 1 line is damaged (the first is line 3); it is left out."]
    assert len(results.laps) == len(lines) - 1


def test_a_torn_summary_is_a_stated_gap(tmp_path: Path) -> None:
    folder = copied(tmp_path)
    whole = (folder / "summary.json").read_text()
    (folder / "summary.json").write_text(whole[: len(whole) // 2])
    assert "summary.json is damaged and left out" in read_results(folder).gaps[0]


def test_an_interrupted_run_says_so(tmp_path: Path) -> None:
    page = page_of(bare(tmp_path / "bare"))
    assert "The run was interrupted" in page.text
    assert page.cells("What this rests on", "Run complete") == ["no: interrupted"]


@pytest.mark.parametrize("marked", ["in the summary", "beside it"])
def test_a_rehearsal_says_that_it_is_one(tmp_path: Path, marked: str) -> None:
    folder = bare(tmp_path / "bare")
    assert "Rehearsal" not in page_of(folder).text
    if marked == "beside it":
        (folder / "rehearsal.json").write_text("{}")
    else:
        rewrite(folder, rehearsal=True)
    assert "Faults were put into these samples on purpose" in page_of(folder).text


def test_unknown_is_a_dash_with_a_reason_and_never_zero(tmp_path: Path) -> None:
    folder = copied(tmp_path)
    corners = summary_of(folder)["corners"]
    corners["FR"] |= {"velocity_rms_mm_s": None, "samples_rejected": None}
    rewrite(folder, corners=corners, best_lap_s=None, downforce={"reason": "no speed in the log"})
    page = page_of(folder)
    assert page.cells("Each corner over the stint", "Velocity RMS, mm/s")[1] == "– (not known)"
    assert page.cells("Sensors", "Samples not believed")[1] == "– (not known)"
    assert "the best in – (no timed lap)" in page.text
    assert "Downforce: – (no speed in the log)." in page.text
    assert "– no speed in the log" in page.text


def test_comparison_shows_both_and_their_differences(tmp_path: Path) -> None:
    page = page_of(copied(tmp_path), "--compare", shipped("healthy"))
    this, other = summary_of(shipped()), summary_of(shipped("healthy"))
    pair = [summary["corners"]["RR"]["velocity_rms_mm_s"] for summary in (this, other)]
    expected = [f"{pair[0]:.1f}", f"{pair[1]:.1f}", f"{pair[0] - pair[1]:+.1f}"]
    assert page.cells("Differences", "RR velocity RMS, mm/s") == expected
    areas = [summary["downforce"]["axles"]["front"]["downforce_area_m2"] for summary in (this, other)]
    told = page.cells("Differences", "Front C_z A, m²")[2]
    between = areas[0]["value"] - areas[1]["value"]
    reach = math.hypot(*((area["high_95"] - area["low_95"]) / 2 for area in areas))
    assert told == f"{between:+.3f} m² (95 %: {between - reach:+.3f} to {between + reach:+.3f})"
    assert {"Velocity RMS per lap (this stint)", "Velocity RMS per lap (the other stint)"} <= set(page.figures)
    assert len(set(page.ids)) == len(page.ids)


def test_other_sheets_and_cars_are_pointed_out(tmp_path: Path) -> None:
    folder, other = copied(tmp_path), stint_of(read_results(shipped()))
    assert doubts(other, other) == []
    rewrite(folder, sheet_sha256="0" * 64)
    assert "The car sheets differ" in doubts(stint_of(read_results(folder)), other)[0]
    rewrite(folder, car="Another one")
    assert "The cars differ: Another one and" in doubts(stint_of(read_results(folder)), other)[0]


def test_the_runs_reference_gives_the_ticks_while_it_is_there(tmp_path: Path) -> None:
    folder = copied(tmp_path)
    rewrite(folder, reference=str(shipped("healthy")))
    page = page_of(folder)
    assert "Black ticks are the run's reference" in page.text
    assert "Black ticks: the reference stint." in page.text
    rewrite(folder, reference=str(tmp_path / "gone"))
    page = page_of(folder)
    assert "can't be read any more" in page.text
    assert "Black ticks:" not in page.text


def test_the_same_results_give_the_same_files(tmp_path: Path) -> None:
    folder = copied(tmp_path)
    found = []
    for name in ("a", "b"):
        output, figures = tmp_path / f"{name}.html", tmp_path / name
        assert run("debrief", folder, "--output", output, "--figures", figures).exit_code == 0
        found.append({file.name: file.read_bytes() for file in figures.iterdir()} | {"page": output.read_bytes()})
    assert found[0] == found[1]
    assert len(found[0]) >= 11
    assert all(content.startswith(b"\x89PNG") for name, content in found[0].items() if name != "page")
    assert len(found[0]["page"]) < 2_000_000
    assert re.search(rb"20\d\d-\d\d-\d\d", found[0]["page"]) is None


def test_the_page_goes_into_the_results_and_replaces_only_a_debrief(tmp_path: Path) -> None:
    folder = bare(tmp_path / "bare")
    assert run("debrief", folder).exit_code == 0
    assert run("debrief", folder).exit_code == 0
    kept = tmp_path / "notes.html"
    kept.write_text("mine")
    refused = run("debrief", folder, "--output", kept)
    assert refused.exit_code == 1
    assert kept.read_text() == "mine"
    assert run("debrief", folder, "--output", kept, "--overwrite").exit_code == 0
    assert kept.read_text().startswith("<!DOCTYPE html>")
    assert not list(tmp_path.rglob("*.part"))


@pytest.mark.parametrize("content", [None, {}, {"summary.json": "{}"}, {"laps.jsonl": "x\n"}, {"summary.json": "[1"}])
def test_what_holds_no_results_is_wrong_usage_in_one_line(tmp_path: Path, content: dict[str, str] | None) -> None:
    folder = tmp_path / "results"
    if content is not None:
        folder.mkdir()
        for name, text in content.items():
            (folder / name).write_text(text)
    with pytest.raises(NotResultsError) as caught:
        read_results(folder)
    assert "\n" not in str(caught.value)
    assert run("debrief", folder).exit_code == 2
    assert not (folder / "debrief.html").exists()


def test_another_format_version_is_refused(tmp_path: Path) -> None:
    folder = copied(tmp_path)
    rewrite(folder, format_version=99)
    with pytest.raises(NotResultsError, match="another version"):
        read_results(folder)


def test_what_can_not_be_written_is_a_fault(tmp_path: Path) -> None:
    folder = bare(tmp_path / "bare")
    (tmp_path / "file").write_text("")
    assert run("debrief", folder, "--output", tmp_path / "absent" / "x.html").exit_code == 1
    assert run("debrief", folder, "--output", tmp_path / "p.html", "--figures", tmp_path / "file").exit_code == 1
    assert run("debrief", folder, "--output", tmp_path).exit_code == 1


def test_a_long_stint_is_cut_in_tables_and_says_so(tmp_path: Path) -> None:
    folder = copied(tmp_path)
    lap = lines_of(folder, "laps.jsonl")[2]
    laps = [lap | {"lap": str(number), "start_s": 60.0 * number} for number in range(700)]
    (folder / "laps.jsonl").write_text("".join(json.dumps(one) + "\n" for one in laps))
    page = page_of(folder)
    assert len(page.tables["Laps"]) == 201
    assert "The first 200 of 700 laps are shown" in page.text
    assert (tmp_path / "too_low-page.html").stat().st_size < 2_000_000


def test_progress_is_told_when_it_takes_long(tmp_path: Path) -> None:
    from console.debrief import DebriefOptions, debrief

    said: list[str] = []
    seconds = iter(range(0, 1000))
    debrief(copied(tmp_path), DebriefOptions(), "1", said.append, lambda: float(next(seconds)))
    assert said[0].startswith("drawing figure 2 of ")
    quiet: list[str] = []
    debrief(bare(tmp_path / "bare"), DebriefOptions(), "1", quiet.append, lambda: 0.0)
    assert quiet == []
