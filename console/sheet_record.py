"""What follows from a car sheet, as one JSON record for scripts: the numbers of `console.sheet_report`, unrounded.

In: a validated sheet. Out: a text. Unknown numbers are null; units stand in the names; strings are safe to show.
README.md has the fields.
"""

from __future__ import annotations

from dataclasses import asdict
from typing import Any

import numpy as np

from console.results import dump
from console.sheet_figures import CarFigures, CornerFigures, car_figures, corner_figures
from dsp.velocity import VelocityFilter
from ingest.calibration import readings_at
from ingest.chunk import AXLES, CORNERS
from ingest.sheet import Sheet
from ingest.text import clean

FORMAT, FORMAT_VERSION = "damperwatch sheet", 1
_RATES_HZ = (250, 500, 1000)


def sheet_json(sheet: Sheet) -> str:
    """The record as indented JSON."""
    return dump(sheet_record(sheet), indent=1)


def sheet_record(sheet: Sheet) -> dict[str, Any]:
    """The record; NaN stands for what the sheet does not say."""
    figures = {corner: corner_figures(sheet, corner) for corner in CORNERS}
    readings = _readings(sheet)
    return {
        "format": FORMAT,
        "format_version": FORMAT_VERSION,
        "car": clean(sheet.car.name, 80),
        "sheet_sha256": sheet.digest,
        "whole_car": _whole_car(sheet, car_figures(sheet, figures)),
        "axles": _axles(car_figures(sheet, figures)),
        "corners": {corner: _corner(figures[corner], readings[corner]) for corner in CORNERS},
        "platform": {
            clean(name, 40): {
                "static_height_mm": point.static_height_mm,
                "limit_mm": point.lowest_mm,
                "in_hand_mm": point.static_height_mm - point.lowest_mm,
            }
            for name, point in sheet.platform.items()
        },
        "velocity_filter": {str(rate): _velocity_filter(sheet, float(rate)) for rate in _RATES_HZ},
    }


def _whole_car(sheet: Sheet, figures: CarFigures) -> dict[str, Any]:
    return {
        "mass_kg": sheet.car.mass_kg,
        "front_share": figures.front_share,
        "cross_share": figures.cross_share,
        "centre_behind_front_axle_mm": figures.centre_behind_front_axle_mm,
        "rake_deg": figures.rake_deg,
        "roll_gradient_deg_g": figures.roll_gradient_deg_g,
        "longitudinal_transfer_n_g": figures.longitudinal_n,
    }


def _axles(figures: CarFigures) -> dict[str, Any]:
    return {
        axle: {
            "roll_stiffness_n_m_deg": stiffness,
            "lateral_transfer_n_g": {
                "by_links": transfer.geometric_n,
                "by_unsprung_masses": transfer.unsprung_n,
                "by_springs_and_bars": transfer.elastic_n,
                "in_all": transfer.total_n,
            },
        }
        for axle, stiffness, transfer in zip(AXLES, figures.roll_stiffness_n_m_deg, figures.lateral, strict=True)
    }


def _corner(figures: CornerFigures, sensor: dict[str, Any]) -> dict[str, Any]:
    return {**asdict(figures), "sensor": sensor}


def _readings(sheet: Sheet) -> dict[str, dict[str, Any]]:
    """What each sensor reads at the ends of the stroke and at static, and whether it can."""
    parts = [sheet.suspension(corner) for corner in CORNERS]
    ends = [[-part.travel_to_full_droop_mm, 0.0, part.travel_to_full_bump_mm] for part in parts]
    read = readings_at(sheet, np.array(ends).T)
    found = {}
    for index, corner in enumerate(CORNERS):
        sensor = sheet.sensor(corner)
        at_droop, at_static, at_bump = read[:, index].tolist()
        lowest, highest = sensor.reading_range or (-np.inf, np.inf)
        found[corner] = {
            "unit": sensor.unit,
            "at_full_droop": at_droop,
            "at_static": at_static,
            "at_full_bump": at_bump,
            "all_possible": all(lowest <= value <= highest for value in (at_droop, at_static, at_bump)),
        }
    return found


def _velocity_filter(sheet: Sheet, rate_hz: float) -> dict[str, Any]:
    chosen = VelocityFilter.for_bandwidth(sheet.velocity.bandwidth_hz, rate_hz)
    return {
        "window_samples": 2 * chosen.half_width + 1,
        "delay_s": chosen.delay_s,
        "gain_at_bandwidth": chosen.gain(sheet.velocity.bandwidth_hz),
    }
