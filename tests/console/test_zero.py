"""Zeros of a car at rest: right where it is at rest, refused with the reason where it is not, and written with care."""

from __future__ import annotations

import copy
import io
import itertools
import os
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any, Self

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from console.cli import main
from console.zero import CAUTION, LARGE_CHANGE_MM, Window, Zeros, central_mean, collect, drift, measure, zero_lines
from console.zero_run import window_of_link, zero
from ingest.chunk import Chunk, Floats
from ingest.errors import LinkError
from ingest.framing import make_encoder
from ingest.inbox import Inbox, LinkState, Received
from ingest.link_block import SampleBlock
from ingest.sheet import Sheet, load_sheet
from ingest.sheet_link import DAMPER_ROLES, LinkLayout
from tests.console.logs import CAR
from tests.sheets import make_sheet

RATE = 500.0
SECONDS = 5.0
COUNT = 2500
AT_REST_MM = np.array([1.25, -0.5, 30.0, 0.0])
SENSORS = {
    "corner.FL.sensor": {"unit": "mm", "zero_mm": 2.0},
    "corner.RL.sensor": {"unit": "mm", "compression": "decreases", "zero_mm": -31.0},
    "corner.RR.sensor": {
        "unit": "counts",
        "points": [[0, 0.0], [4095, 100.0]],
        "zero_mm": 50.0,
        "reading_range": [100, 4000],
    },
}


def sensors(**changes: Any) -> Sheet:
    """The sheet with these sensors; `FL_zero_mm=3.0` changes one's zero."""
    named = {f"corner.{key[:2]}.sensor.{key[3:]}": value for key, value in changes.items()}
    return make_sheet({**copy.deepcopy(SENSORS), **named})


def still(noise_mm: float = 0.03, count: int = COUNT, seed: int = 3) -> Floats:
    """Readings in mm of sensors that stand at `AT_REST_MM`, RR in counts at 2047.5."""
    readings = np.asfortranarray(AT_REST_MM + np.random.default_rng(seed).normal(0.0, noise_mm, (count, 4)))
    readings[:, 3] = (readings[:, 3] + 50.0) * 40.95
    return readings


def measured(readings: Floats, sheet: Sheet | None = None, **side: Floats) -> Zeros:
    chunk = Chunk(100, RATE, readings, dict(side))
    return measure(collect([chunk], RATE, 0.0, SECONDS), sheet or sensors())


def reasons(zeros: Zeros) -> dict[str, str]:
    return {one.corner: "; ".join(one.reasons) for one in zeros.corners if one.reasons}


# ---------------------------------------------------------------- the car at rest


def test_a_still_car_gives_its_zeros() -> None:
    zeros = measured(still())
    assert zeros.usable
    # travel = +-(position) - zero: at rest the position itself is the zero.
    expected = {"FL": 1.25, "FR": -0.5, "RL": -30.0, "RR": 50.0}
    assert zeros.new_mm == pytest.approx(expected, abs=0.005)
    assert all(value == round(value, 2) for value in zeros.new_mm.values())
    fl, fr, rl, rr = zeros.corners
    assert fl.change_mm == pytest.approx(-0.75, abs=0.005)
    assert fr.old_mm is None
    assert fr.change_mm == pytest.approx(-0.5, abs=0.005)
    assert rl.change_mm == pytest.approx(1.0, abs=0.005)
    assert all(one.noise_mm == pytest.approx(0.03, rel=0.1) for one in zeros.corners)
    assert all(abs(one.drift_mm) < 0.02 for one in zeros.corners)
    assert rr.known == 1.0


def test_with_the_new_zeros_the_car_stands_at_zero() -> None:
    first = measured(still())
    again = measured(
        still(),
        sensors(**{f"{corner}_zero_mm": new for corner, new in first.new_mm.items()}),
    )
    assert again.new_mm == pytest.approx(first.new_mm, abs=0.0101)
    assert all(abs(one.change_mm) <= 0.0101 for one in again.corners)


@pytest.mark.parametrize("name", ["healthy", "sensor_faults"])
def test_the_shipped_cars_stand_at_their_zeros(name: str) -> None:
    from console.zero_run import window_of_log

    folder = Path(__file__).parents[2] / "replay_logs"
    sheet = load_sheet(folder / "car.toml")
    zeros = measure(window_of_log(folder / f"{name}.parquet", sheet, 0.0, 5.0), sheet)
    assert zeros.usable, zero_lines(zeros)
    assert all(abs(one.change_mm) < 0.02 for one in zeros.corners)


def test_single_spikes_do_not_reach_the_mean() -> None:
    readings = still()
    readings[::250, 0] += 400.0
    zeros = measured(readings)
    assert zeros.usable
    assert zeros.new_mm["FL"] == pytest.approx(1.25, abs=0.006)


def test_a_coarse_converter_is_not_noisy() -> None:
    readings = still(0.05)
    readings[:, 1] = np.where(np.arange(COUNT) % 2, -0.45, -0.55)  # 0.1 mm a step, between two of them
    assert measured(readings).usable


# ---------------------------------------------------------------- not at rest


@pytest.mark.parametrize(
    ("spoil", "says"),
    [
        (lambda t: 3.0 * np.sin(2 * np.pi * 1.8 * t), "moved: over a range of 6."),
        (lambda t: np.where((t > 2.0) & (t < 2.2), 4.0, 0.0), "moved: over a range of"),
        (lambda t: np.random.default_rng(1).normal(0.0, 0.22, len(t)), "noisy: 0.22 mm, limit 0.2"),
        (lambda t: 0.08 * t, "drifts: +0.40 mm over 5 s, limit 0.2"),
        (lambda t: -0.08 * t, "drifts: -0.40 mm over 5 s, limit 0.2"),
        (lambda t: 0.5 * np.exp(-t), "drifts: -0."),
    ],
)
def test_a_corner_that_is_not_at_rest_is_refused(spoil: Callable[[Floats], Floats], says: str) -> None:
    readings = still()
    readings[:, 1] += spoil(np.arange(COUNT) / RATE)
    zeros = measured(readings)
    assert not zeros.usable
    assert list(reasons(zeros)) == ["FR"]
    assert says in reasons(zeros)["FR"]
    assert len(reasons(zeros)["FR"].split("; ")) == 1
    lines = zero_lines(zeros)
    assert next(line for line in lines if line.startswith("FR ")).endswith("refused")
    assert any(line.startswith("FR: ") and says in line for line in lines)


@pytest.mark.parametrize(
    "spoil",
    [
        lambda t: 0.02 * t,  # 0.1 mm in all
        lambda t: 0.2 * np.sin(2 * np.pi * 12.0 * t),  # an idling engine
    ],
)
def test_a_little_is_let_through(spoil: Callable[[Floats], Floats]) -> None:
    readings = still()
    readings[:, 1] += spoil(np.arange(COUNT) / RATE)
    assert measured(readings).usable


@pytest.mark.parametrize(
    ("reading", "says"),
    [(4095.0, "reads 4095 counts, reading_range 100 to 4000 (100% of the samples outside)"), (0.0, "out of range")],
)
def test_a_sensor_out_of_its_range_is_refused(reading: float, says: str) -> None:
    readings = still()
    readings[:, 3] = reading
    assert says in reasons(measured(readings))["RR"]


@pytest.mark.parametrize("reading", [0.0, 1023.0, 4095.0, 65535.0])
def test_a_sensor_at_the_end_of_the_converter_is_refused_without_a_range_too(reading: float) -> None:
    sheet = sensors(RR_reading_range=None)
    readings = still()
    readings[:, 3] = reading
    assert "stuck at the end of the converter" in reasons(measured(readings, sheet))["RR"]
    readings[:, 3] = 2000.0
    assert measured(readings, sheet).usable


def test_half_the_data_is_not_enough() -> None:
    readings = still()
    readings[::2, 2] = np.nan
    zeros = measured(readings)
    assert reasons(zeros) == {"RL": "only 50% of its samples hold a reading, at least 90% are needed"}
    readings[:, 2] = np.nan
    assert reasons(measured(readings)) == {"RL": "no readings"}
    assert any(line.split()[:3] == ["RL", "-31.00", "-"] for line in zero_lines(measured(readings)))


def test_some_missing_readings_do_no_harm() -> None:
    readings = still()
    readings[::20, 2] = np.nan
    assert measured(readings).usable


def test_too_short() -> None:
    zeros = measured(still(count=1000))
    assert not zeros.usable
    assert zeros.reasons == ("too short: 2.0 s of data where 5 s are wanted",)


def test_samples_lost_in_a_gap_are_missing() -> None:
    readings = still()
    chunks = [Chunk(0, RATE, readings[:1000]), Chunk(1500, RATE, readings[1500:], gap_before=500)]
    zeros = measure(collect(chunks, RATE, 0.0, SECONDS), sensors())
    assert set(reasons(zeros)) == {"FL", "FR", "RL", "RR"}
    assert zeros.corners[0].known == pytest.approx(0.8)


def test_a_clock_set_back_and_a_rolling_car_are_refused() -> None:
    readings = still()
    chunks = [Chunk(0, RATE, readings[:1000]), Chunk(1000, RATE, readings[1000:], restart=True)]
    assert "clock" in measure(collect(chunks, RATE, 0.0, SECONDS), sensors()).reasons[0]
    assert "speed 7.2 km/h" in measured(readings, speed=np.full(COUNT, 2.0)).reasons[0]
    assert measured(readings, speed=np.full(COUNT, 0.1)).usable
    assert measured(readings, speed=np.full(COUNT, np.nan)).usable


def test_a_large_change_is_pointed_out() -> None:
    zeros = measured(still(), sensors(FL_zero_mm=2.0 + LARGE_CHANGE_MM))
    assert zeros.usable
    assert any(line.startswith("FL: changes by more than 10 mm") for line in zero_lines(zeros))


@given(st.lists(st.integers(0, 900), max_size=8), st.floats(0.0, 2.0))
def test_any_split_gives_the_same_window(cuts: list[int], from_s: float) -> None:
    readings = still(count=1800, seed=1)
    edges = sorted({0, 1800, *np.minimum(np.cumsum(cuts), 1800).tolist()})
    whole = collect([Chunk(9, RATE, readings)], RATE, from_s, 2.0)
    parts = [Chunk(9 + start, RATE, readings[start:stop]) for start, stop in itertools.pairwise(edges)]
    cut = collect(parts, RATE, from_s, 2.0)
    np.testing.assert_array_equal(whole.readings, cut.readings)
    assert (whole.reached, whole.full) == (cut.reached, cut.full)
    first = round(from_s * RATE)
    np.testing.assert_array_equal(cut.readings[: 1800 - first], readings[first : first + 1000][: 1800 - first])


def test_drift_against_a_straight_line() -> None:
    t = np.linspace(0.0, 1.0, 4001)[:-1] + 1 / 8000
    slope, error = drift(0.7 * t + 3.0)
    assert slope == pytest.approx(0.7)
    assert error == pytest.approx(0.0, abs=1e-9)
    assert np.isnan(drift(np.where(t < 0.3, 1.0, np.nan))[0])


def test_the_error_of_a_drift_is_that_of_many_repetitions() -> None:
    chance = np.random.default_rng(8)
    found = [drift(chance.normal(0.0, 0.1, 1000)) for _ in range(300)]
    assert np.std([slope for slope, _ in found]) == pytest.approx(np.mean([error for _, error in found]), rel=0.15)


def test_the_central_mean() -> None:
    values = np.arange(100.0)
    assert central_mean(values) == pytest.approx(np.mean(values[5:95]))
    values[99] = 1e9
    assert central_mean(values) == pytest.approx(np.mean(np.arange(5.0, 95.0)))
    assert central_mean(np.array([4.0])) == 4.0


# ---------------------------------------------------------------- the command


def sheet_at(folder: Path, text: str = CAR) -> tuple[Path, Sheet]:
    path = folder / "car.toml"
    path.write_text("# a car\n" + text, encoding="utf-8")
    return path, load_sheet(path)


def standing_log(folder: Path, moving: bool = False) -> Path:
    readings = still(count=3000)[:, :3]
    if moving:
        readings[:, 2] += np.sin(np.arange(3000) / 50.0)
    rows = [f"{n / RATE:.3f},{a:.4f},{b:.4f},{c:.4f},{b:.4f},0" for n, (a, b, c) in enumerate(readings.tolist())]
    path = folder / "still.csv"
    path.write_text("\n".join(["time,FL,FR,RL,RR,lap", *rows]) + "\n")
    return path


def command(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], *arguments: str | Path
) -> tuple[int, str, str]:
    monkeypatch.setattr(sys, "argv", ["damperwatch", "zero", *map(str, arguments)])
    with pytest.raises(SystemExit) as ended:
        main()
    said = capsys.readouterr()
    assert isinstance(ended.value.code, int)
    assert "Traceback" not in said.err
    return ended.value.code, said.out, said.err


def test_yes_writes(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
    path, _ = sheet_at(tmp_path)
    code, out, err = command(monkeypatch, capsys, "--car", path, "--log", standing_log(tmp_path), "--yes")
    assert code == 0, err
    assert load_sheet(path).sensor("FL").zero_mm == pytest.approx(1.25, abs=0.011)
    assert load_sheet(path).sensor("RL").zero_mm == pytest.approx(30.0, abs=0.011)
    assert "nobody under it" in out
    assert "car.toml.before-zero" in out


def test_without_anybody_to_ask_nothing_is_written(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    path, _ = sheet_at(tmp_path)
    before = path.read_bytes()
    monkeypatch.setattr("sys.stdin", io.StringIO("y\n"))
    code, out, err = command(monkeypatch, capsys, "--car", path, "--log", standing_log(tmp_path))
    assert code == 2
    assert "--yes" in err
    assert "FL" in out
    assert path.read_bytes() == before


@pytest.mark.parametrize(("answer", "written"), [(True, True), (False, False)])
def test_the_answer_counts(answer: bool, written: bool, tmp_path: Path) -> None:
    path, sheet = sheet_at(tmp_path)
    window = Window(RATE, 0.0, SECONDS)
    window.take(Chunk(0, RATE, still()[:, [0, 1, 2, 1]]))
    said: list[str] = []
    assert zero(path, sheet, window, said.append, lambda: answer) == written
    assert (load_sheet(path).sensor("FL").zero_mm == 0.0) != written
    assert (tmp_path / "car.toml.before-zero").exists() == written


def test_a_moving_corner_is_refused_and_nothing_written(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    path, _ = sheet_at(tmp_path)
    before = path.read_bytes()
    code, out, err = command(monkeypatch, capsys, "--car", path, "--log", standing_log(tmp_path, True), "--yes")
    assert code == 1
    assert err == "damperwatch: RL refused; nothing written. Let the car settle and measure again\n"
    assert "RL: moved: over a range of 2." in out
    assert path.read_bytes() == before
    assert sorted(os.listdir(tmp_path)) == ["car.toml", "still.csv"]


@pytest.mark.parametrize(
    ("arguments", "code", "says"),
    [
        ([], 2, "--log LOG or --live"),
        (["--live", "--log", "x"], 2, "--log LOG or --live"),
        (["--live", "--from", "3"], 2, "--from belongs to --log"),
        (["--live"], 1, "has no [link]"),
        (["--log", "no-such-log"], 2, "there is no such file"),
        (["--log", "x", "--seconds", "1"], 2, "--seconds"),
    ],
)
def test_mistakes(
    arguments: list[str],
    code: int,
    says: str,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    path, _ = sheet_at(tmp_path)
    done = command(monkeypatch, capsys, "--car", path, *arguments)
    assert done[0] == code
    assert says in done[2]
    assert done[1] == ""


# ---------------------------------------------------------------- the live link


class FakeLink:
    """Delivers payloads, all at once when it is started."""

    def __init__(self, payloads: list[bytes], inbox: Inbox, tap: Callable[[Received], None]) -> None:
        self._payloads, self._inbox, self._tap = payloads, inbox, tap
        self.stopped = False
        self.reconnects = 0

    @property
    def state(self) -> LinkState:
        return LinkState("connecting", "no such port", 0)

    def start(self) -> Self:
        for payload in self._payloads:
            received = Received(payload, 0, 0)
            self._tap(received)
            self._inbox.put(received)
        return self

    def stop(self) -> None:
        self.stopped = True


class Ticks:
    """A clock that goes on by itself, some seconds a look."""

    def __init__(self) -> None:
        self.time_s = 0.0

    def __call__(self) -> float:
        self.time_s += 7.0
        return self.time_s


def live(payloads: list[bytes]) -> tuple[Window, FakeLink, list[str]]:
    sheet = make_sheet({**copy.deepcopy(SENSORS), "link": {"serial": {"port": "/dev/car"}}})
    links: list[FakeLink] = []
    said: list[str] = []

    def link_maker(_: LinkLayout, tap: Callable[[Received], None], inbox: Inbox) -> FakeLink:
        links.append(FakeLink(payloads, inbox, tap))
        return links[0]

    try:
        return window_of_link(sheet, SECONDS, said.append, link_maker, Ticks()), links[0], said
    finally:
        assert links[0].stopped


def live_payloads(readings: Floats) -> list[bytes]:
    layout = make_sheet({"link": {"serial": {"port": "/dev/car"}}}).link
    assert layout is not None
    encoder = make_encoder(layout, DAMPER_ROLES, RATE)
    blocks = [SampleBlock(n, 2**32, RATE, DAMPER_ROLES, readings[n : n + 50]) for n in range(0, len(readings), 50)]
    return [encoder.encode(block) for block in blocks]


def test_a_live_link_is_measured() -> None:
    window, _, said = live(live_payloads(still(count=4000)))
    assert window.full
    zeros = measure(window, sensors())
    assert zeros.usable
    assert zeros.new_mm == pytest.approx({"FL": 1.25, "FR": -0.5, "RL": -30.0, "RR": 50.0}, abs=0.006)
    assert said == [CAUTION, "measuring 5 s on /dev/car at 921600"]


def test_a_link_that_ends_too_early_is_too_short() -> None:
    payloads = live_payloads(still())
    window, _, _ = live([*payloads[:10], b"", *payloads[10:30]])
    assert "too short" in measure(window, sensors()).reasons[0]


@pytest.mark.parametrize(
    ("payloads", "says"),
    [([], r"no samples came \(link connecting: no such port\)"), ([b"hello\0" * 3], "18 bytes came, but no samples")],
)
def test_a_link_without_samples_says_so(payloads: list[bytes], says: str) -> None:
    with pytest.raises(LinkError, match=says):
        live(payloads)
