"""The part of the results that is about the car as a whole: loads, heights, body, downforce, spectra, witnesses.

Pure functions from what the chain counted to records; units in every name; unknown numbers are NaN (null in files).
Times of the car's grid are counted in rows, so every function takes the grid's rate.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import asdict
from typing import Any

from dsp.axle_delay import AxleDelay
from dsp.body import BodyMotion, BodyTally
from dsp.damper_work import DamperWork
from dsp.downforce import Downforce, Estimate
from dsp.frame import REGIMES
from dsp.heights import HeightTally, Stretch
from dsp.spectra import CornerSpectrum
from dsp.spectral_peaks import Peak
from dsp.stops import Contact
from dsp.summary import Share, StopTally
from dsp.wheel_loads import LoadTally
from ingest.chunk import AXLES, CORNERS

# Stretches of the lap below a limit that are listed; they come longest first.
_STRETCHES = 20
# One zero that has slipped shows by a quarter of it, at the wheel, in warp.
_WARP_PER_SLIP = 4.0
# What bars, springs and a car's own lean make of warp on a straight; common practice, no source.
_LEAST_SLIP_MM = 3.0
_MOTION_SHARES = {"p1": 0.01, "median": 0.5, "p99": 0.99}


def wheel_load(loads: LoadTally, corner: int, row_rate_hz: float) -> dict[str, Any]:
    """What one wheel carried."""
    return {
        "mean_n": loads.mean_n(corner),
        "wheel_velocity_rms_mm_s": loads.velocity_rms(corner),
        "lowest_n": loads.lowest_n[corner],
        "p1_n": loads.load_quantile(corner, 0.01),
        "p99_n": loads.load_quantile(corner, 0.99),
        "highest_n": loads.highest_n[corner],
        "time_unloaded_s": int(loads.unloaded[corner]) / row_rate_hz,
        "time_known_s": loads.known(corner) / row_rate_hz,
    }


def stop_record(stop: StopTally, rate_hz: float) -> dict[str, Any]:
    """Contacts with one end of a stroke; forces and impulses are the damper's."""
    return {
        "contacts": stop.count,
        "total_time_s": stop.samples / rate_hz,
        "longest_s": stop.longest_samples / rate_hz,
        "peak_travel_mm": stop.peak_travel_mm,
        "peak_force_n": stop.peak_force_n,
        "impulse_n_s": stop.impulse_n_s,
        "largest_impulse_n_s": stop.largest_impulse_n_s,
    }


def load_share(loads: LoadTally, corner: int) -> dict[str, float]:
    """How much of the wheel's load the bump stop carried while it was touched."""
    return {"load_share": loads.stop_share(corner), "load_share_peak": float(loads.stop_peak_share[corner])}


def damper_record(work: DamperWork | None) -> dict[str, Any] | None:
    """What one damper did; None without a curve."""
    if work is None:
        return None
    return {
        "energy_j": work.energy_j,
        "mean_power_w": work.mean_power_w,
        "energy_share": work.energy_share,
        "force_p1_n": work.force_1_percent_n,
        "force_p99_n": work.force_99_percent_n,
        "mean_force_compression_n": work.mean_compression_n,
        "mean_force_rebound_n": work.mean_rebound_n,
        "share_beyond_curve": work.beyond_curve_share,
    }


def balance(loads: LoadTally) -> dict[str, float]:
    """Shares of the mean wheel loads."""
    return {
        "front_share": loads.front_share,
        "cross_weight_share": loads.cross_weight_share,
        "front_left_share": loads.left_share(0),
        "rear_left_share": loads.left_share(1),
    }


def point_extras(
    heights: HeightTally, number: int, row_rate_hz: float, time_s: Callable[[int | None], float | None]
) -> dict[str, Any]:
    """Where and when one point was low, and how near it came to its limit."""
    place, crossed = float(heights.lowest_place_m[number]), bool(heights.below[number])
    return {
        "lowest_regime": heights.lowest_regime[number],
        "lowest_place_m": place,
        "time_below_limit_by_regime_s": {
            name: int(rows) / row_rate_hz for name, rows in zip(REGIMES, heights.below_by_regime[number], strict=True)
        },
        "below_limit_at": [_stretch(one) for one in heights.stretches(number, row_rate_hz)[:_STRETCHES]],
        # Just before a limit is crossed the time is next to nothing: it tells something only of a limit that held.
        "shortest_time_to_limit_s": math.nan if crossed else heights.shortest_s[number],
        "shortest_time_to_limit_at_s": None if crossed else time_s(heights.shortest_at[number]),
    }


def _stretch(stretch: Stretch) -> dict[str, float]:
    return asdict(stretch)


def body_record(body: BodyTally, motion: BodyMotion, row_rate_hz: float) -> dict[str, Any]:
    """Heave, pitch, roll and warp of the body against the road, rake, and time on kerbs."""
    record: dict[str, Any] = {}
    for name in ("heave_mm", "pitch_deg", "roll_deg", "warp_mm"):
        record[name] = {key: body.motion_quantile(name, share) for key, share in _MOTION_SHARES.items()}
    # Nose down closes the front and opens the rear: rake is the static one plus pitch.
    static = motion.static_rake_deg
    record["rake_deg"] = {"static": static} | {key: static + value for key, value in record["pitch_deg"].items()}
    record["straight_warp_mm"] = body.straight_warp_mm
    record["time_on_kerbs_s"] = body.kerb_rows / row_rate_hz
    return record


def contact_record(contact: Contact, time_s: float, rate_hz: float) -> dict[str, Any]:
    """One contact with an end of the stroke."""
    return {
        "corner": CORNERS[contact.corner],
        "start_s": time_s,
        "duration_s": contact.samples / rate_hz,
        "peak_travel_mm": contact.peak_travel_mm,
        "peak_force_n": contact.peak_force_n,
        "impulse_n_s": contact.impulse_n_s,
        "place_m": contact.place_m,
        "regime": contact.regime,
        "cut_off": contact.cut_off,
    }


def contacts_of(share: Share, time_s: Callable[[int], float], rate_hz: float) -> dict[str, Any]:
    """The hardest contacts of a lap, of bump stops and of droop."""
    kinds = {"bump_stop_contacts": share.contacts, "top_outs": share.top_out_contacts}
    return {
        name: [contact_record(one, time_s(one.start_sample), rate_hz) for one in kept.in_order()]
        for name, kept in kinds.items()
    }


def downforce_record(found: Downforce) -> dict[str, Any]:
    """Downforce: per axle, total and balance, or the reason why there is none."""
    axles = {"front": found.front_m2, "rear": found.rear_m2}
    intercepts = {"front": found.front_intercept_n, "rear": found.rear_intercept_n}
    scatters = {"front": found.front_scatter_n, "rear": found.rear_scatter_n}
    return {
        "reason": found.reason or None,
        "axles": {
            axle: {
                "downforce_area_m2": _estimate(axles[axle]),
                "at_standstill_n": _estimate(intercepts[axle]),
                "scatter_n": scatters[axle],
            }
            for axle in AXLES
        },
        "total_downforce_area_m2": _estimate(found.total_m2),
        "front_share": _estimate(found.front_share),
        "by_speed": [asdict(band) for band in found.bands],
        "air_density_kg_m3": found.air_density_kg_m3,
        "air_density_from": found.air_density_how,
        "slowest_m_s": found.slowest_m_s,
        "fastest_m_s": found.fastest_m_s,
        "windows_judged": found.windows_judged,
        "windows_used": found.windows_used,
        "windows_refused": found.windows_refused,
        "windows_dropped": found.windows_dropped,
        "places": found.places,
        "notes": list(found.notes),
    }


def _estimate(estimate: Estimate) -> dict[str, float]:
    return {
        "value": estimate.value,
        "standard_error": estimate.standard_error,
        "low_95": estimate.low,
        "high_95": estimate.high,
    }


def spectrum_record(spectrum: CornerSpectrum) -> dict[str, Any]:
    """Frequencies of one corner's body and wheel, against the sheet's, and the spectrum itself."""
    return {
        "segments": spectrum.segments,
        "body": _peak(spectrum.body),
        "wheel_hop": _peak(spectrum.wheel_hop),
        "frequency_hz": spectrum.frequency_hz,
        "power_mm2_hz": spectrum.power_mm2_hz,
    }


def _peak(peak: Peak) -> dict[str, Any]:
    return asdict(peak)


def witness_records(delays: tuple[AxleDelay, ...], body: BodyTally) -> dict[str, Any]:
    """What speaks for or against sensors, rate and speed: rear wheels that repeat the front ones, and warp."""
    warp = body.straight_warp_mm
    slip = _WARP_PER_SLIP * abs(warp)
    verdict = "not seen" if math.isnan(warp) else "agree" if slip < _LEAST_SLIP_MM else "disagree"
    return {
        "axle_delay": {delay.side: {k: v for k, v in asdict(delay).items() if k != "side"} for delay in delays},
        "zeros": {
            "straight_warp_mm": warp,
            "slip_of_one_wheel_mm": slip,
            "verdict": verdict,
            "reason": "no straight running with all four corners and both accelerations known"
            if math.isnan(warp)
            else "",
        },
    }
