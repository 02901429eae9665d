"""The part of a car sheet that holds limits: velocity bands, histograms, laps, and the numbers of every alert.

Defaults are starting points (common practice, no source, unless a reason stands beside the number); every one
can be set in the sheet. Trip and clear limits are checked against each other here.
"""

from __future__ import annotations

from typing import Annotated, Literal, Self

from pydantic import Field, model_validator

from ingest.sheet_parts import Finite, NotNegative, Part, Positive, check_below

WholeVelocity = Annotated[int, Field(ge=1, le=1000)]


class VelocitySettings(Part):
    """How velocity is taken and where low speed ends.

    The band limits are whole mm/s because shares are counted from bins of 1 mm/s.
    """

    # Body modes lie at 1 to 8 Hz and wheel hop at 10 to 25 Hz; 30 Hz keeps both within 5 %.
    bandwidth_hz: Annotated[float, Field(gt=0, le=500)] = 30.0
    low_speed_compression_mm_s: WholeVelocity = 50
    low_speed_rebound_mm_s: WholeVelocity = 50
    # Width of the bins written to results; it must divide the outermost edge, so that 0 stays an edge.
    report_bin_mm_s: Literal[1, 2, 5, 10, 20, 25, 50] = 10


class StatisticsSettings(Part):
    """Which samples count, and over how long the rolling picture looks back."""

    # Below this speed the car is in the garage or the pit lane; its stillness would fill the histograms.
    slowest_counted_m_s: NotNegative = 8.0
    rolling_window_s: Annotated[float, Field(ge=2, le=600)] = 30.0


class LapSettings(Part):
    """What makes a lap comparable with the others."""

    # A lap this much slower than the usual one is traffic, a cool-down or a spin; this much shorter, a fragment.
    slow_lap_ratio: Annotated[float, Field(gt=1, le=5)] = 1.12
    stopped_below_m_s: NotNegative = 3.0
    stopped_for_s: Positive = 2.0
    longest_gap_s: NotNegative = 0.5
    most_missing_share: Annotated[float, Field(ge=0, le=1)] = 0.05
    shortest_lap_s: Positive = 15.0


class Alert(Part):
    """What every alert has."""

    enabled: bool = True


class StrokeEndAlert(Alert):
    """Contacts with an end of the stroke: one long contact, or too many, or too much time in a lap."""

    longest_contact_s: Positive
    trip_time_per_lap_s: Positive
    clear_time_per_lap_s: NotNegative
    trip_contacts_per_lap: Annotated[int, Field(ge=1)]
    clear_contacts_per_lap: Annotated[int, Field(ge=0)]
    # A contact ends when the damper has moved this far off the stop, so that sensor noise is not many contacts.
    release_mm: NotNegative = 0.2
    # Without laps, a clean time as long as a lap clears.
    clear_without_laps_s: Positive = 90.0

    @model_validator(mode="after")
    def _order(self) -> Self:
        check_below("clear_time_per_lap_s", self.clear_time_per_lap_s, "trip_time_per_lap_s", self.trip_time_per_lap_s)
        check_below(
            "clear_contacts_per_lap",
            self.clear_contacts_per_lap,
            "trip_contacts_per_lap",
            self.trip_contacts_per_lap,
        )
        return self


class BumpStopAlert(StrokeEndAlert):
    """Bump-stop contact."""

    longest_contact_s: Positive = 0.25
    trip_time_per_lap_s: Positive = 2.0
    clear_time_per_lap_s: NotNegative = 1.0
    trip_contacts_per_lap: Annotated[int, Field(ge=1)] = 40
    clear_contacts_per_lap: Annotated[int, Field(ge=0)] = 20


class TopOutAlert(StrokeEndAlert):
    """A damper at its full length: over a crest, on a lifted wheel, or because something holds it there."""

    longest_contact_s: Positive = 1.0
    trip_time_per_lap_s: Positive = 1.5
    clear_time_per_lap_s: NotNegative = 0.75
    trip_contacts_per_lap: Annotated[int, Field(ge=1)] = 30
    clear_contacts_per_lap: Annotated[int, Field(ge=0)] = 15
    # Without a droop stop in the sheet, so near to full droop counts; less than the shortest stroke that is accepted.
    within_mm: Annotated[float, Field(ge=0, lt=2)] = 0.5


class PlatformLowAlert(Alert):
    """A named point too near the road. The limit itself belongs to the point."""

    on_delay_s: Annotated[float, Field(ge=0, le=2)] = 0.075
    off_delay_s: Annotated[float, Field(ge=0, le=60)] = 0.5
    clear_above_limit_mm: Positive = 2.0
    # Warp that a rigid car on a flat road can't have; beyond it a wheel is on a kerb.
    kerb_warp_mm: Positive = 12.0


class AsymmetryAlert(Alert):
    """Left against right of an axle, over laps."""

    trip_percent: Positive = 12.0
    clear_percent: Positive = 7.0
    trip_distance: Positive = 0.20
    clear_distance: Positive = 0.12
    # With a reference stint the circuit's own asymmetry is taken out, so less is needed.
    trip_percent_from_reference: Positive = 8.0
    clear_percent_from_reference: Positive = 5.0
    # Left against right of compression over rebound, which circuits hardly move: one adjuster does.
    trip_balance_percent: Positive = 8.0
    clear_balance_percent: Positive = 5.0
    trip_balance_percent_from_reference: Positive = 6.0
    clear_balance_percent_from_reference: Positive = 4.0
    laps_beyond: Annotated[int, Field(ge=1, le=20)] = 2
    laps_watched: Annotated[int, Field(ge=1, le=20)] = 3
    laps_to_clear: Annotated[int, Field(ge=1, le=20)] = 2
    least_time_per_lap_s: Positive = 15.0

    @model_validator(mode="after")
    def _order(self) -> Self:
        check_below("clear_percent", self.clear_percent, "trip_percent", self.trip_percent)
        check_below("clear_distance", self.clear_distance, "trip_distance", self.trip_distance)
        check_below(
            "clear_percent_from_reference",
            self.clear_percent_from_reference,
            "trip_percent_from_reference",
            self.trip_percent_from_reference,
        )
        for trip in ("trip_balance_percent", "trip_balance_percent_from_reference"):
            clear = trip.replace("trip", "clear", 1)
            check_below(clear, getattr(self, clear), trip, getattr(self, trip))
        if self.laps_beyond > self.laps_watched:
            raise ValueError(f"laps_beyond ({self.laps_beyond}) can't exceed laps_watched ({self.laps_watched})")
        return self


class DriftAlert(Alert):
    """One damper changes during the run, against the stint's own first clean laps or a reference stint.

    The charts' own limits are calibrated for the number of reference laps and are no matter of taste.
    """

    # More laps make a better reference, and a later one; with 8 the reference adds an eighth to a lap's scatter.
    reference_laps: Annotated[int, Field(ge=4, le=40)] = 8
    # Timed laps after the out-lap in which tyres and dampers come to temperature.
    warm_up_laps: Annotated[int, Field(ge=0, le=10)] = 2


class SensorAlert(Alert):
    """When a sensor is not to be believed."""

    on_delay_s: Annotated[float, Field(ge=0, le=10)] = 0.2
    spikes_to_trip: Annotated[int, Field(ge=1, le=1000)] = 5
    spike_window_s: Positive = 2.0
    off_delay_s: Positive = 5.0
    beyond_stroke_mm: NotNegative = 3.0
    stuck_for_s: Annotated[float, Field(ge=0.2, le=60)] = 1.0
    stuck_within_mm: Positive = 0.15
    # The other corners' median travel range over the same time: below it the car may simply be standing still.
    others_move_mm: Positive = 4.0
    # Wheel against body: 100 g is beyond what a kerb does to a wheel; a bigger jump is not motion.
    fastest_change_g: Positive = 100.0
    smallest_jump_mm: Positive = 2.0
    longest_spike_s: Annotated[float, Field(gt=0, le=0.5)] = 0.010


class SampleRateAlert(Alert):
    """A rate at which high-speed figures are not to be trusted."""

    lowest_hz: Positive = 250.0


class LinkAlert(Alert):
    """No samples for a while."""

    silent_after_s: Annotated[float, Field(ge=0.1, le=60)] = 1.0
    clear_after_s: Annotated[float, Field(ge=0, le=60)] = 3.0


class Alerts(Part):
    """The numbers of every alert."""

    bump_stop: BumpStopAlert = BumpStopAlert()
    top_out: TopOutAlert = TopOutAlert()
    platform_low: PlatformLowAlert = PlatformLowAlert()
    asymmetry: AsymmetryAlert = AsymmetryAlert()
    drift: DriftAlert = DriftAlert()
    sensor: SensorAlert = SensorAlert()
    sample_rate: SampleRateAlert = SampleRateAlert()
    link: LinkAlert = LinkAlert()


class PlatformPoint(Part):
    """A named point of the underside: where it is, how high at static, and how low it may go.

    `x_mm` is forward of the front axle line, `y_mm` to the left of the centre line.
    """

    x_mm: Finite
    y_mm: Finite = 0.0
    static_height_mm: Positive
    lowest_mm: Finite

    @model_validator(mode="after")
    def _order(self) -> Self:
        check_below("lowest_mm", self.lowest_mm, "static_height_mm", self.static_height_mm)
        return self
