"""Plain lines for people without a board: one line an event, and the tables at the end.

In: transitions, laps, a finished monitor. Out: strings, one line each, safe on any terminal. Times are sample time.
"""

from __future__ import annotations

import math
import textwrap
from collections.abc import Iterator

from alerts.alert import Transition
from alerts.lifecycle import State
from alerts.monitor import Monitor
from console.blind_laps import BlindLaps
from console.describe_car import witness_records
from dsp.axle_delay import AxleDelay
from dsp.body import BodyTally
from dsp.downforce import Estimate
from dsp.heights import HeightTally
from dsp.platform import Platform
from dsp.statistics import SHARE_NAMES
from dsp.summary import LapSummary, Share
from ingest.chunk import CORNERS
from ingest.log_counts import LogCounts
from ingest.text import clean

KIND_NAMES = {
    "link": "link lost",
    "sensor": "sensor",
    "bump_stop": "bump stop",
    "top_out": "top-out",
    "platform_low": "platform low",
    "asymmetry": "left/right",
    "drift": "damper drift",
    "sample_rate": "sample rate",
}
_DASH = "-"
_WIDTH = 80  # of the tables at the end
_MOSTLY_IDLE = 0.5  # a stint with its stops stays below; beyond, the speed column or the log may not be the right one


def kind_name(kind: str) -> str:
    """An alert's kind in words.

    Examples
    --------
    >>> kind_name("asymmetry"), kind_name("bump_stop")
    ('left/right', 'bump stop')
    """
    return KIND_NAMES.get(kind, kind.replace("_", " "))


def stamp(time_s: float) -> str:
    """Sample time as minutes and seconds.

    Examples
    --------
    >>> stamp(83.456)
    '01:23.46'
    """
    hundredths = round(time_s * 100)
    return f"{hundredths // 6000:02d}:{hundredths % 6000 / 100:05.2f}"


def number(value: float | None, form: str = ".1f") -> str:
    """A number, or a dash when it is not known.

    Examples
    --------
    >>> number(float("nan")), number(3.14159)
    ('-', '3.1')
    """
    return _DASH if value is None or not math.isfinite(value) else format(value, form)


def transition_line(transition: Transition) -> str:
    """What changed, why, since when, and what to check first."""
    definition, evidence = transition.definition, transition.evidence
    name = f"{kind_name(definition.kind)} {clean(definition.where, 40)}"
    lap = f"lap {clean(transition.lap, 12)}  " if transition.lap else ""
    head = f"{stamp(transition.time_s)}  {lap}"
    if transition.change != "occurs" and not transition.announced:
        return f"{head}{transition.change:<11}  {name}: now {transition.state.value}"
    word = f"ALERT {definition.priority}" if transition.announced else "occurs again"
    if transition.suppressed:
        word = "suppressed"
    if evidence is None:
        return f"{head}{word}  {name}"
    since = number(transition.since_s, ".2f")
    limit = "" if math.isnan(evidence.limit) else f" (limit {evidence.limit:.4g} {evidence.unit})"
    line = f"{head}{word}  {name}: {clean(evidence.sentence, 200)}{limit}, since {since} s."
    if not transition.announced:
        return line
    caution = f" Caution: {definition.caution}" if definition.caution else ""
    return f"{line} Check first: {clean(evidence.check_first, 200)}.{caution}"


def lap_line(lap: LapSummary, time_s: float, platform: Platform | None = None) -> str:
    """One line for a lap that is over; with a `platform`, also the point that came nearest to its limit."""
    reason = f" ({lap.verdict.reason})" if lap.verdict.reason else ""
    rms = "  ".join(f"{corner} {number(lap.share.tally.rms(i), '4.0f')}" for i, corner in enumerate(CORNERS))
    contacts = sum(stop.count for stop in lap.share.stops)
    return (
        f"{stamp(time_s)}  lap {lap.name} {lap.verdict.kind}, {lap.duration_s:.2f} s{reason}: "
        f"velocity RMS mm/s  {rms}; {contacts} bump-stop contacts"
        f"{_lowest_words(lap.share.heights, platform) if platform is not None else ''}"
    )


def _lowest_words(heights: HeightTally, platform: Platform) -> str:
    margins = heights.lowest_mm - platform.lowest_mm
    known = [point for point in range(len(platform.names)) if math.isfinite(margins[point])]
    if not known:
        return ""
    point = min(known, key=lambda point: float(margins[point]))
    regime, place_m = heights.lowest_regime[point], heights.lowest_place_m[point]
    doing = "" if regime == "unknown" else f", {regime}"
    where = f" at {place_m:.0f} m" if math.isfinite(place_m) else ""
    return f"; lowest {clean(platform.names[point], 40)} {heights.lowest_mm[point]:.1f} mm{doing}{where}"


def log_lines(counts: LogCounts) -> Iterator[str]:
    """What was wrong with the log's rows and cells; nothing for a clean log."""
    kinds = {
        "missing_samples": "samples missing",
        "repeated_rows": "rows dropped: same time as the row before",
        "late_rows": "rows dropped: out of order",
        "unplaced_rows": "rows dropped: no usable time or sample number",
        "ragged_rows": "rows dropped: too few or too many cells",
        "restarts": "times the clock was set back",
    }
    for name, text in kinds.items():
        count = getattr(counts, name)
        if count:
            places = counts.places.get("gaps" if name == "missing_samples" else name, [])
            where = f" (first at line {places[0]})" if places else ""
            yield f"{count} {text}{where}"
    yield from (clean(note, 200) for note in counts.notes)
    for column, cells in counts.cells.items():
        for kind in ("empty", "not_a_number", "infinite", "unparseable"):
            count = getattr(cells, kind)
            if count:
                places = counts.places.get((column, kind), [])
                where = f" (first at line {places[0]})" if places else ""
                yield f"column {clean(column, 60)}: {count} cells {kind.replace('_', ' ')}{where}"


def reference_words(monitor: Monitor) -> str:
    """That left and right are compared with a reference stint, and the limit in force; nothing without one."""
    if monitor.reference is None:
        return ""
    limit = monitor.sheet.alerts.asymmetry.trip_percent_from_reference
    return f"; left/right less the reference, limit {limit:g} %"


def final_lines(monitor: Monitor, blind: BlindLaps, *, complete: bool) -> Iterator[str]:
    """The tables at the end of a run, at most 80 columns wide; notes on what they can't show may be longer."""
    pipeline = monitor.pipeline
    total = pipeline.so_far()
    rate = pipeline.rate_hz
    current = pipeline.laps.current
    laps = 0 if current is None else current.index + 1
    yield ""
    yield (
        f"{clean(monitor.sheet.car.name, 40)}: {stamp((total.received + pipeline.lost_samples) / rate)} "
        f"at {rate:g} Hz, {laps} laps, {pipeline.timed_laps} timed" + ("" if complete else " (interrupted)")
    )
    yield f"samples: {total.received} received, {pipeline.lost_samples} lost in {pipeline.gaps} gaps, {total.idle} idle"
    if total.idle > _MOSTLY_IDLE * total.received:
        slowest = monitor.sheet.statistics.slowest_counted_m_s
        yield (
            f"{100.0 * total.idle / total.received:.0f} % of the log did not count as running: its speed was below "
            f"{slowest:g} m/s (statistics.slowest_counted_m_s; check the unit of log.columns.speed too)"
        )
    yield from blind.lines()
    yield ""
    yield "     used reject  RMS  share of time, %                stroke     bump stop"
    yield "        %     ed mm/s  HS reb  LS reb  LS com  HS com mm used    n  sum s peak N"
    for index, corner in enumerate(CORNERS):
        tally, stop = total.tally, total.stops[index]
        shares = tally.time_shares(index, monitor.sheet.velocity)
        running = total.received - total.idle
        used = 100.0 * tally.used(index) / running if running else math.nan
        low, high = tally.travel_quantile(index, 0.005), tally.travel_quantile(index, 0.995)
        columns = "".join(f"{number(100 * shares[name]):>8}" for name in SHARE_NAMES)
        yield (
            f"{corner}{number(used):>7}{int(pipeline.validity.rejected[index]):>7}"
            f"{number(tally.rms(index), '.0f'):>5}{columns}{number(high - low):>8}"
            f"{stop.count:>5}{number(stop.samples / rate):>7}{number(stop.peak_force_n, '.0f'):>7}"
        )
    if pipeline.platform.names:
        yield ""
        yield "platform point              lowest   1st %   limit   below limit"
        yield "                                mm      mm      mm             s"
        for index, name in enumerate(pipeline.platform.names):
            heights = total.heights
            below_s = int(heights.below[index]) / pipeline.car.row_rate_hz if heights.counts[index].any() else math.nan
            yield (
                f"{clean(name, 24):<26}{number(heights.lowest_mm[index]):>8}"
                f"{number(heights.height_quantile(index, 0.01)):>8}{pipeline.platform.lowest_mm[index]:>8.1f}"
                f"{number(below_s, '.2f'):>14}"
            )
    yield from _car_lines(monitor, total)
    if monitor.sheet.alerts.drift.enabled and pipeline.laps.source is not None:
        yield from textwrap.wrap(f"drift: {monitor.drift.statement()}", _WIDTH, subsequent_indent="  ")
    yield ""
    yield from _noise_lines(monitor)
    yield from _standing_lines(monitor)


def _car_lines(monitor: Monitor, total: Share) -> Iterator[str]:
    """The car as a whole: what its wheels carried, downforce, top-outs, frequencies, and what does not agree."""
    pipeline, loads = monitor.pipeline, total.loads
    yield ""
    yield "wheel load, N     static    mean  lowest highest"
    for index, corner in enumerate(CORNERS):
        values = (
            pipeline.car.loads.static_n[index],
            loads.mean_n(index),
            loads.lowest_n[index],
            loads.highest_n[index],
        )
        yield f"{corner:<16}" + "".join(f"{number(float(value), '.0f'):>8}" for value in values)
    yield ""
    air = pipeline.counting.downforce.result()
    if air.reason:
        yield from textwrap.wrap(f"downforce: none can be told: {air.reason}", _WIDTH, subsequent_indent="  ")
    else:
        front, rear, share = air.front_m2, air.rear_m2, air.front_share
        yield f"downforce C_z A: front {_estimate(front)} m2, rear {_estimate(rear)} m2 (95 %)"
        yield f"aero balance: {_estimate(share, 100.0, '.1f')} % front"
    top_outs = [
        f"{corner} {stop.count} ({stop.samples / pipeline.rate_hz:.2f} s)"
        for corner, stop in zip(CORNERS, total.top_outs, strict=True)
        if stop.samples
    ]
    if top_outs:
        yield f"top-outs: {', '.join(top_outs)}"
    spectra = pipeline.counting.spectra.result()
    for name, found in (
        ("body", [spectrum.body.frequency_hz for spectrum in spectra]),
        ("wheel hop", [spectrum.wheel_hop.frequency_hz for spectrum in spectra]),
    ):
        if any(map(math.isfinite, found)):
            each = "  ".join(f"{corner} {number(hertz):>4}" for corner, hertz in zip(CORNERS, found, strict=True))
            yield f"{name + ' frequency, Hz':<24}{each}"
    for line in _witness_lines(pipeline.counting.axle_delay.result(), total.body):
        yield from textwrap.wrap(line, _WIDTH, subsequent_indent="  ")


def _estimate(estimate: Estimate, scale: float = 1.0, form: str = ".2f") -> str:
    """A value with half of its 95 % interval."""
    return f"{number(scale * estimate.value, form)} +-{number(scale * (estimate.high - estimate.low) / 2.0, form)}"


def _witness_lines(delays: tuple[AxleDelay, ...], body: BodyTally) -> Iterator[str]:
    """What speaks against the sensors, the rate or the speed; nothing when all agrees or could not be seen."""
    differing = [delay for delay in delays if delay.verdict.startswith("differs")]
    if differing:
        implied = ", ".join(f"{delay.wheelbase_m:.2f} m ({delay.side})" for delay in differing)
        yield (
            f"front-to-rear delay implies a wheelbase of {implied}, the sheet says "
            f"{differing[0].sheet_wheelbase_m:.2f} m: check {differing[0].reason}"
        )
    for delay in delays:
        if delay.verdict in {"reversed", "crossed"}:
            yield f"front-to-rear delay, {delay.side}: {delay.reason}"
    zeros = witness_records(delays, body)["zeros"]
    if zeros["verdict"] == "disagree":
        slip_mm = zeros["slip_of_one_wheel_mm"]
        yield f"zeros disagree by about {slip_mm:.0f} mm at one wheel: check them on the flat patch"


def _noise_lines(monitor: Monitor) -> Iterator[str]:
    """More than anyone can attend to is itself something to mend; said only when it was so."""
    record = monitor.noise.record()
    if record["floods"]:
        yield (
            f"alerts came in a flood for {record['time_in_flood_s']:.0f} s: "
            f"up to {record['most_in_ten_minutes']} in ten minutes, ten are too many"
        )
    for alarm in record["chattering"]:
        name = f"{kind_name(alarm['kind'])} {clean(alarm['where'], 40)}"
        yield f"{name} chattered: three times within a minute, {alarm['times']} times over"


def _standing_lines(monitor: Monitor) -> Iterator[str]:
    standing = [alarm for alarm in monitor.standings if alarm.state is not State.NORMAL]
    if not standing:
        yield "alerts: none"
        return
    yield f"alerts: {monitor.announced} announced; not back to normal and acknowledged:"
    for alarm in standing:
        definition = alarm.definition
        name = f"{kind_name(definition.kind)} {clean(definition.where, 40)}"
        times = f", {alarm.occurrences} times" if alarm.occurrences > 1 else ""
        sentence = "" if alarm.evidence is None else f": {clean(alarm.evidence.sentence, 200)}"
        yield f"  {definition.priority:<6}  {name}{sentence} [{alarm.state.value}{times}]"
    yield ""
    yield "The program advises; it does not certify that a car is safe to run."
