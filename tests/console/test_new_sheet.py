"""`damperwatch new`: the template names every key of the sheet, says the true defaults, and is a valid sheet itself."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Iterator
from pathlib import Path
from typing import Any, get_args, get_origin

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import BaseModel

from console.new_sheet import LogHead, head_of, new_sheet_text, toml_text
from console.new_sheet_guess import guesses
from console.new_sheet_text import COLUMNS_MARK, TEMPLATE
from ingest.errors import LogError
from ingest.sheet import Sheet, parse_sheet
from ingest.sheet_problems import _flatten
from tests.console.logs import CAR, log_file, sheet_file
from tests.console.test_cli import Run, check_refused, run
from tests.ingest.logs import numbered, write
from tests.ingest.test_log_hdf5 import write_h5

__all__ = ["run"]

_TABLE = re.compile(r"^(?:# )?\[([\w.]+)\]")
_KEY = re.compile(r"^(?:# )?(\w+ = .*)$")

Seen = dict[tuple[type[BaseModel], str], list[Any]]


def _models(annotation: Any) -> list[Any]:
    found = []
    for one in _flatten(annotation):
        if get_origin(one) is dict:
            found += _models(get_args(one)[1])
        elif isinstance(one, type) and issubclass(one, BaseModel):
            found.append(one)
    return found


def _definer(model: type[BaseModel], name: str) -> type[BaseModel]:
    """The part that a key comes from: a broker's keys are shown once for all brokers."""
    bases = [base for base in model.__mro__ if issubclass(base, BaseModel) and name in base.model_fields]
    return bases[-1]


def _fields(model: type[BaseModel]) -> Iterator[tuple[type[BaseModel], str]]:
    for name, entry in model.model_fields.items():
        yield model, name
        for inner in _models(entry.annotation):
            yield from _fields(inner)


def _see(model: type[BaseModel], key: str, value: Any, seen: Seen) -> None:
    assert key in model.model_fields, f"{model.__name__} has no key {key}"
    seen.setdefault((model, key), []).append(value)
    inner = _models(model.model_fields[key].annotation)
    if inner and isinstance(value, str):
        value = {"column": value}
    if inner and isinstance(value, dict):
        for name, one in value.items():
            _see(inner[0], name, one, seen)


def keys_in(text: str) -> Seen:
    """Every key that a sheet's text names, behind a "# " or not, with the values shown."""
    seen: Seen = {}
    model: type[BaseModel] = Sheet
    for line in text.splitlines():
        table, key = _TABLE.match(line), _KEY.match(line)
        if table is not None:
            model = Sheet
            parts = iter(table[1].split("."))
            for part in parts:
                seen.setdefault((model, part), [])
                annotation = model.model_fields[part].annotation
                model = _models(annotation)[0]
                if any(get_origin(one) is dict for one in _flatten(annotation)):
                    next(parts)
        elif key is not None:
            ((name, value),) = tomllib.loads(key[1]).items()
            _see(model, name, value, seen)
    return seen


def test_every_key_of_the_sheet_is_in_the_template() -> None:
    shown = {(_definer(model, name), name) for model, name in keys_in(TEMPLATE)}
    wanted = {(_definer(model, name), name) for model, name in _fields(Sheet)}
    assert {f"{model.__name__}.{name}" for model, name in wanted - shown} == set()


def test_keys_that_may_be_left_out_are_shown_with_their_defaults() -> None:
    wrong = []
    for (model, name), values in keys_in(TEMPLATE).items():
        default = model.model_fields[name].default
        # 0 stands for "not given" there, and is no height.
        told = isinstance(default, bool | int | float | str) and name != "centre_of_gravity_height_mm"
        if told and not model.model_fields[name].is_required() and default not in values:
            wrong.append(f"{model.__name__}.{name}: {values}, not {default}")
    assert wrong == []


# Keys that say what they are: by the unit in their name, or as common words.
_TOLD = re.compile(
    r".*(_mm|_kg|_s|_hz|_m_s|_m_s2|_n|_mm_s|_n_mm|_percent|_hpa|_c|_g|_laps|_lap|_to_clear|_distance|_from_reference)"
    r"|name|circuit|set_up|spring|bump_stop|droop_stop|damper|damper_..|serial|password_file|enabled|host|port|topic"
    r"|user|tls"
)


def test_every_key_has_a_word_about_it() -> None:
    """Its unit stands in its name, or behind it stands what it is, once at least."""
    said: dict[str, bool] = {}
    for line in TEMPLATE.splitlines():
        key = re.match(r"^(?:# )?(\w+) = .*?( # \S)?[^#]*$", line)
        if key is not None:
            said[key[1]] = said.get(key[1], False) or key[2] is not None
    assert {name for name, told in said.items() if not told and not _TOLD.fullmatch(name)} == set()


def test_the_template_is_a_valid_sheet_as_it_stands() -> None:
    sheet = parse_sheet(tomllib.loads(TEMPLATE))
    assert sheet.car.name == "Example car"


def _uncommented(section: str) -> str:
    """The template with one table's lines taken from behind their "# "."""
    lines, inside = [], False
    for line in TEMPLATE.splitlines():
        table = _TABLE.match(line)
        if table is not None:
            inside = table[1] == section
        lines.append(line[2:] if inside and line.startswith("# ") and (table or _KEY.match(line)) else line)
    return "\n".join(lines)


@pytest.mark.parametrize(
    "section",
    [
        *(
            "stint",
            "axle.front.bump_stop",
            "axle.front.droop_stop",
            "axle.front.damper",
            "platform.splitter",
            "velocity",
        ),
        *("statistics", "laps", "regimes", "downforce"),
        *(f"alerts.{name}" for name in type(Sheet.model_fields["alerts"].default).model_fields),
    ],
)
def test_each_table_is_valid_without_its_marks(section: str) -> None:
    changed = _uncommented(section)
    assert changed != TEMPLATE
    parse_sheet(tomllib.loads(changed))


def test_no_line_is_longer_than_an_editor_is_wide() -> None:
    assert max(map(len, TEMPLATE.splitlines())) <= 120


# ---------------------------------------------------------------- the command


def test_a_new_sheet_is_written_once(run: Run, tmp_path: Path) -> None:
    path = tmp_path / "car.toml"
    done = run("new", path)
    assert (done.returncode, done.stderr) == (0, "")
    assert done.stdout.startswith(f"{path}: ")
    assert path.read_text() == TEMPLATE
    assert run("sheet", path).returncode == 0
    path.write_text("precious")
    assert "--overwrite" in check_refused(run("new", path), code=1)
    assert path.read_text() == "precious"
    assert run("new", path, "--overwrite").returncode == 0
    assert path.read_text() == TEMPLATE
    assert [one.name for one in tmp_path.iterdir()] == ["car.toml"]


def test_what_can_not_be_written(run: Run, tmp_path: Path) -> None:
    for path in (tmp_path, tmp_path / "absent" / "car.toml", tmp_path / ("x" * 300)):
        check_refused(run("new", path, "--overwrite"), code=1)
    assert list(tmp_path.iterdir()) == []


NAMES = [
    "Time",
    "Damper FL",
    "Damper FR",
    "Damper RL",
    "Damper RR",
    "Ground Speed",
    "G Long",
    "G Lat",
    "Lap",
    "Throttle",
]


@pytest.mark.parametrize("kind", ["csv", "parquet", "h5"])
def test_columns_of_a_log_are_listed_and_roles_proposed(run: Run, tmp_path: Path, kind: str) -> None:
    columns = {name: np.arange(30.0) for name in NAMES}
    log = tmp_path / f"log.{kind}"
    if kind == "csv":
        log.write_text(";".join(NAMES) + "\n" + ";".join("1" for _ in NAMES) + "\n")
    elif kind == "parquet":
        write(log, columns)
    else:
        write_h5(log, columns)
    path = tmp_path / "car.toml"
    done = run("new", path, "--log", log)
    assert (done.returncode, done.stderr) == (0, "")
    text = path.read_text()
    assert parse_sheet(tomllib.loads(text)).log.columns.damper_FL.column == "damper_FL"
    for name in NAMES:
        assert f'"{name}"' in text
    assert '# damper_FL = "Damper FL"' in text
    assert '# speed = { column = "Ground Speed", unit = "km/h" }' in text
    assert '# lap_number = "Lap"' in text
    assert text.count("# acceleration_lateral") == 2
    if kind == "csv":
        assert 'delimiter = ";"' in text


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("a;b;c\n1,5;2;3\n", LogHead(["a", "b", "c"], ";", 0, 0, ",")),
        ("a;b;c\n1.5;2;3\n", LogHead(["a", "b", "c"], ";", 0, 0, ".")),
        ("a,b,c\n1,5,3\n", LogHead(["a", "b", "c"], ",", 0, 0, ".")),
        ("made by x\na;b;c\ns;mm;V\n0,1;0,2;0,3\n", LogHead(["a", "b", "c"], ";", 1, 1, ",")),
        ("a,b,c\ns,mm,V\n\n1,2,3\n", LogHead(["a", "b", "c"], ",", 0, 2, ".")),
        ("a,b,c\n", LogHead(["a", "b", "c"])),
    ],
)
def test_the_layout_of_a_csv_is_seen(tmp_path: Path, text: str, expected: LogHead) -> None:
    log = tmp_path / "log.csv"
    log.write_text(text, encoding="utf-8")
    assert head_of(log) == expected


@pytest.mark.parametrize(
    ("name", "role"),
    [
        *(
            ("damper_fl", "damper_FL"),
            ("FL", "damper_FL"),
            ("Susp Pos LF", "damper_FL"),
            ("rear left travel", "damper_RL"),
        ),
        *(("DamperPosRR", "damper_RR"), ("pot fr [mm]", "damper_FR"), ("v_car", "speed"), ("speed [km/h]", "speed")),
        *(
            ("Lap Number", "lap_number"),
            ("lap", "lap_number"),
            ("LapDistance", "lap_distance"),
            ("beacon", "lap_marker"),
        ),
        *(("time_ms", "time"), ("Timestamp", "time"), ("sample", "counter"), ("acc_lat", "acceleration_lateral")),
        *(("acceleration_x", "acceleration_longitudinal"), ("az", "acceleration_vertical")),
    ],
)
def test_a_role_is_told_by_its_name(name: str, role: str) -> None:
    assert guesses([name]).get(role) == name


@pytest.mark.parametrize(
    "name", ["Throttle", "Brake Pressure Front", "Tyre Temp FL", "Wheel Speed FL", "Lap Time", "x", ""]
)
def test_what_stands_for_nothing_is_not_guessed(name: str) -> None:
    assert guesses([name]) == {}


def test_the_better_of_two_names_is_taken() -> None:
    names = ["FL temp", "Damper Vel FL", "Damper Pos FL", "wheel speed", "speed"]
    assert guesses(names) == {"damper_FL": "Damper Pos FL", "speed": "speed"}


@given(names=st.lists(st.text(max_size=40), max_size=8))
def test_whatever_a_log_calls_its_columns_the_sheet_stays_valid(names: list[str]) -> None:
    text = new_sheet_text("log", LogHead(names))
    parse_sheet(tomllib.loads(text))
    assert all(line.isprintable() for line in text.splitlines())
    assert COLUMNS_MARK in text


@given(text=st.text(max_size=50))
def test_names_keep_their_letters_in_toml(text: str) -> None:
    if not any("\ud800" <= letter <= "\udfff" for letter in text):
        assert tomllib.loads(f"x = {toml_text(text)}")["x"] == text


def test_logs_that_tell_no_columns(run: Run, tmp_path: Path) -> None:
    (tmp_path / "empty.csv").write_bytes(b"")
    (tmp_path / "binary.csv").write_bytes(bytes(range(256)) * 10)
    (tmp_path / "half.parquet").write_bytes(b"PAR1 and then nothing")
    (tmp_path / "long.csv").write_bytes(b"x" * 3_000_000)
    for name in ("empty.csv", "half.parquet", "long.csv", "absent.csv", "."):
        check_refused(run("new", tmp_path / "car.toml", "--log", tmp_path / name))
        assert not (tmp_path / "car.toml").exists(), name


def test_a_log_and_its_proposals_fit_each_other(run: Run, tmp_path: Path) -> None:
    """Whoever takes the marks off the proposals has a sheet for that log."""
    log, path = log_file(tmp_path, 600), tmp_path / "car.toml"
    assert run("new", path, "--log", log).returncode == 0
    text = path.read_text()
    for corner in ("FL", "FR", "RL", "RR"):
        text = text.replace(f'\ndamper_{corner} = "damper_{corner}"', "").replace(
            f"# damper_{corner} =", f"damper_{corner} ="
        )
    path.write_text(text)
    assert run("replay", log, "--car", path).returncode == 0


def test_nothing_is_taken_for_a_log_that_is_none(tmp_path: Path) -> None:
    from console.new_sheet import columns_of

    assert columns_of(log_file(tmp_path, 10)) == ["time", "FL", "FR", "RL", "RR", "lap"]
    with pytest.raises(LogError):
        columns_of(sheet_file(tmp_path, CAR, "x\ny.toml") / "inside")
    assert columns_of(write(tmp_path / "a.parquet", numbered(range(3)))) == ["time", "FL", "FR", "RL", "RR"]
