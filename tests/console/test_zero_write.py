"""Zeros put into a sheet: in every spelling of TOML nothing else changes, and no failure on the way costs the sheet."""

from __future__ import annotations

import itertools
import os
import stat
import tomllib
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from console import zero_write
from console.zero_write import ZeroError, with_zeros, write_zeros
from ingest.sheet import Sheet, load_sheet
from tests.console.logs import CAR

ZEROS = {"FL": 47.25, "FR": -52.0, "RL": 0.0, "RR": 1e-2}
REST = """
# ---- the rest of the sheet
[log]   # by column
time = { column = "t" ,  unit="ms" }  # clock
"""
SPELLINGS = {
    "tables": (
        "[corner.FL.sensor]   # left\nunit = 'mm'\nzero_mm   =  1.5   # flat patch\nreading_range = [1,\n  2]\n\n"
        '[corner.FR.sensor]\nunit = "mm"\n\n# rear\n[corner.RL.sensor]\nzero_mm=-0.0\nunit = "mm"\n'
        '[corner.RR.sensor]\nunit = "mm"\n[corner.RR.sensor.lever]\nradius_mm = 3.0\n',
        {"FL": "zero_mm   =  47.25   # flat patch", "RL": "zero_mm=0.0"},
    ),
    "inline tables": (
        '[corner]\nFL = { sensor = { unit = "mm", zero_mm = 1.5 } }   # left\nFR = {sensor={unit="mm"}} # right\n'
        'RL = { sensor = { zero_mm = 2 , unit = "mm" } }\nRR.sensor = { unit = "mm" }\n',
        {
            "FL": 'FL = { sensor = { unit = "mm", zero_mm = 47.25 } }   # left',
            "RL": 'RL = { sensor = { zero_mm = 0.0 , unit = "mm" } }',
        },
    ),
    "dotted keys": (
        '[corner]  # all four\nFL.sensor.unit = "mm"  # left\nFL.sensor.zero_mm = 3 # z\nFR.sensor.unit = "mm" # r\n'
        'RL.sensor.zero_mm = +0.5\nRL.sensor.unit = "mm"\nRR.sensor.unit = "mm"\n# end of corners\n',
        {"FL": "FL.sensor.zero_mm = 47.25 # z", "RL": "RL.sensor.zero_mm = 0.0"},
    ),
    "half dotted": (
        '[corner.FL]\nsensor.unit = "mm" # hm\nsensor.zero_mm = 1.0\n[corner.FL.spring]\nrate_n_mm = 1.0\n'
        '[corner.FR]\nsensor.unit = "mm"\ntyre_rate_n_mm = 5\n[corner.RL.sensor]\nunit = "mm"\n'
        '[corner.RR]\nsensor = { "zero_mm" = 9.0, unit = "mm" }\n',
        {"FL": "sensor.zero_mm = 47.25", "RR": 'sensor = { "zero_mm" = 0.01, unit = "mm" }'},
    ),
    "inline over several lines": (
        '[corner.FL]\nsensor = { unit = "V", points = [\n  [0, 1],\n  [1, 2]\n] }  # left\n[corner.FR]\n'
        'sensor = { unit = "mm" }\n[corner.RL.sensor]\nunit = "mm"\n# RR\n[corner.RR.sensor]\nunit = "mm"\ntable = [\n'
        "  [0, 1],\n  # one\n]\n",
        {},
    ),
    "scattered": (
        '[corner.RR.sensor]\nunit = "mm"\n[car]\nname = "x"\n[corner.FL.sensor]\nunit = "mm"\nzero_mm = 1.0\n'
        '[axle.front]\nx = 1\n[corner.FR.sensor]\nunit = "mm"\n[axle.rear]\n[corner.RL.sensor]\nunit = "mm"\n',
        {"FL": "zero_mm = 47.25"},
    ),
    "one line": (
        'corner = { FL.sensor.unit = "mm", FR = { sensor.unit = "mm" }, RL = { sensor = { unit = "mm" } }, '
        'RR.sensor = { unit = "mm", zero_mm = 8 } }\n',
        {},
    ),
}


def values_of(text: str) -> dict[str, Any]:
    return tomllib.loads(text)


@pytest.mark.parametrize("end", ["\n", "\r\n"])
@pytest.mark.parametrize("spelling", SPELLINGS)
def test_only_the_zeros_change_in_every_spelling(spelling: str, end: str) -> None:
    text, shown = SPELLINGS[spelling]
    before = (text + REST).replace("\n", end)
    after = with_zeros(before, ZEROS)
    expected = values_of(before)
    for corner, zero_mm in ZEROS.items():
        expected["corner"][corner]["sensor"]["zero_mm"] = zero_mm
    assert values_of(after) == expected
    # Every line that does not speak of a zero, or of a sensor all on one line, is there as it was and where it was.
    lines, lines_before = after.split(end), before.split(end)
    if spelling != "one line":
        old = [line for line in lines_before if line in lines]
        assert old == [line for line in lines if "zero_mm" not in line or line in lines_before]
        assert all(
            line.startswith("] }") or "sensor =" in line or "sensor=" in line or "zero_mm" in line
            for line in lines_before
            if line not in old
        )
    # A key that is new stands behind the last one of its sensor, not behind the next one's comments.
    assert not any(
        "zero_mm" in line and (not above or above.startswith("#")) for above, line in itertools.pairwise(lines)
    )
    assert after.endswith(REST.replace("\n", end))
    assert set(shown.values()) <= set(lines)
    if end == "\r\n":
        assert "\n" not in after.replace("\r\n", "")


@given(st.dictionaries(st.sampled_from(["FL", "FR", "RL", "RR"]), st.floats(-500, 500).map(lambda x: round(x, 2))))
def test_any_value_comes_back_as_it_was_given(zeros: dict[str, float]) -> None:
    raw = values_of(with_zeros(SPELLINGS["tables"][0], zeros))
    assert {corner: raw["corner"][corner]["sensor"]["zero_mm"] for corner in zeros} == zeros


def sheet_at(folder: Path, text: str = CAR) -> tuple[Path, Sheet]:
    path = folder / "car.toml"
    path.write_text("# a car\n" + text, encoding="utf-8")
    return path, load_sheet(path)


def test_a_sheet_is_replaced_and_the_old_one_kept(tmp_path: Path) -> None:
    path, sheet = sheet_at(tmp_path)
    path.chmod(0o640)
    before = path.read_bytes()
    backup = write_zeros(path, sheet, ZEROS)
    assert backup == tmp_path / "car.toml.before-zero"
    assert backup.read_bytes() == before
    after = load_sheet(path)
    assert {corner: after.sensor(corner).zero_mm for corner in ZEROS} == ZEROS
    assert stat.S_IMODE(path.stat().st_mode) == stat.S_IMODE(backup.stat().st_mode) == 0o640
    removed = [line for line in path.read_text().splitlines() if "zero_mm" not in line]
    assert removed == before.decode().splitlines()
    assert sorted(os.listdir(tmp_path)) == ["car.toml", "car.toml.before-zero"]


def test_a_byte_order_mark_stays(tmp_path: Path) -> None:
    path, _ = sheet_at(tmp_path)
    path.write_bytes(b"\xef\xbb\xbf" + path.read_bytes())
    write_zeros(path, load_sheet(path), ZEROS)
    assert path.read_bytes().startswith(b"\xef\xbb\xbf# a car")
    assert load_sheet(path).sensor("FL").zero_mm == 47.25


def test_a_link_to_a_sheet_stays_one(tmp_path: Path) -> None:
    path, _ = sheet_at(tmp_path)
    (tmp_path / "cars").mkdir()
    link = tmp_path / "cars" / "today.toml"
    link.symlink_to(path)
    write_zeros(link, load_sheet(link), ZEROS)
    assert link.is_symlink()
    assert load_sheet(path).sensor("FL").zero_mm == 47.25
    assert os.listdir(tmp_path / "cars") == ["today.toml"]


@pytest.mark.parametrize("call", ["fsync", "replace", "fdopen"])
def test_an_interrupted_write_leaves_the_old_sheet(call: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path, sheet = sheet_at(tmp_path)
    before = path.read_bytes()
    target: Any = Path if call == "replace" else os
    calls = []

    def fail(*arguments: Any, **_: Any) -> None:
        calls.append(arguments)
        if call == "fdopen":
            os.close(arguments[0])
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(target, call, fail)
    with pytest.raises(ZeroError, match="can't be written: No space left on device; the sheet is as it was"):
        write_zeros(path, sheet, ZEROS)
    assert calls
    assert path.read_bytes() == before
    assert os.listdir(tmp_path) == ["car.toml"]


def test_an_end_in_the_middle_leaves_the_old_sheet(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path, sheet = sheet_at(tmp_path)
    before = path.read_bytes()

    def interrupt(*_: Any) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr(zero_write, "_check", interrupt)
    with pytest.raises(KeyboardInterrupt):
        write_zeros(path, sheet, ZEROS)
    assert path.read_bytes() == before
    assert os.listdir(tmp_path) == ["car.toml"]


def test_a_sheet_that_was_changed_meanwhile_is_left_alone(tmp_path: Path) -> None:
    path, sheet = sheet_at(tmp_path)
    path.write_text(path.read_text() + "# edited\n")
    before = path.read_bytes()
    with pytest.raises(ZeroError, match="was changed while"):
        write_zeros(path, sheet, ZEROS)
    assert path.read_bytes() == before


@pytest.mark.parametrize(
    ("edit", "says"),
    [
        (lambda text, _: text.replace("mass_kg = 900.0", "mass_kg = 901.0"), "changed in more than its zeros"),
        (lambda text, _: text + "[more]\n", "would be wrong"),
        (lambda text, _: text + "[car]\n", "would be wrong"),
    ],
)
def test_an_edit_that_went_wrong_is_not_used(
    edit: Callable[[str, object], str], says: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path, sheet = sheet_at(tmp_path)
    before = path.read_bytes()
    monkeypatch.setattr(zero_write, "with_zeros", edit)
    with pytest.raises(ZeroError, match=says) as refused:
        write_zeros(path, sheet, ZEROS)
    assert "by hand: FL 47.25, FR -52, RL 0, RR 0.01" in str(refused.value)
    assert path.read_bytes() == before
    assert os.listdir(tmp_path) == ["car.toml"]
