"""The mechanical model against closed forms, a published example, and an independent integration."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import integrate as scipy_integrate

from ingest.sheet import Sheet
from replay_logs.motion import RATE_HZ, Inputs, block_of, blocks_of, integrate
from replay_logs.settings import DOWNFORCE_AREA_FRONT_M2, DOWNFORCE_AREA_REAR_M2, DamperFault, StintSettings
from replay_logs.vehicle import (
    CORNERS,
    METAL_N_M,
    build_elements,
    damper_force_n,
    geometry,
    masses,
    outside_forces,
    preload_shift,
    slopes_at,
    spring_slack_m,
)

Floats = NDArray[np.float64]
GRAVITY_M_S2 = 9.80665
HEALTHY = StintSettings("healthy", "")


def run(
    sheet: Sheet, forces: Floats, road_mm: Floats, settings: StintSettings = HEALTHY, undamped: bool = False
) -> Floats:
    elements = build_elements(sheet)
    slopes = slopes_at(elements, settings, 1.0)
    if undamped:
        slopes = np.where([e.kind in {"compression", "rebound"} for e in elements], 0.0, slopes)
    blocks = np.repeat(slopes[None], blocks_of(len(forces)), axis=0)
    inputs = Inputs(road_mm, forces, preload_shift(elements, settings), blocks)
    return integrate(elements, masses(sheet), [inputs])[0].astype(np.float64)


def steady(sheet: Sheet, speed: float, a_x: float, a_y: float) -> tuple[Floats, Floats]:
    """Wheel loads (4,) and wheel travels (4,) at the end of 6 s of constant conditions."""
    n = 6000
    forces = outside_forces(sheet, HEALTHY, np.full(n, speed), np.full(n, a_x), np.full(n, a_y))
    end = run(sheet, forces, np.zeros((n, 4)))[-1]
    rates = np.array([sheet.suspension(c).tyre_rate_n_mm for c in CORNERS], dtype=np.float64)
    loads = np.array([sheet.static_load_n(c) for c in CORNERS]) - rates * end[3:7] * 1e3
    return loads, (end[3:7] - end[:3] @ geometry(sheet).lift) * 1e3


def test_stands_still_on_a_flat_road(sheet: Sheet) -> None:
    motion = run(sheet, np.zeros((500, 7)), np.zeros((500, 4)))
    assert np.abs(motion).max() < 1e-12


def test_lowered_platforms_lower_the_car_by_their_amount(sheet: Sheet) -> None:
    lowered = StintSettings("low", "", platform_lowered_mm=(7.0, 7.0, 5.0, 5.0))
    end = run(sheet, np.zeros((3000, 7)), np.zeros((3000, 4)), lowered)[-1]
    wheel = (end[3:7] - end[:3] @ geometry(sheet).lift) * 1e3
    ratio = np.array([sheet.suspension(c).motion_ratio_damper_per_wheel for c in CORNERS], dtype=np.float64)
    assert wheel * ratio == pytest.approx([7.0, 7.0, 5.0, 5.0], abs=1e-3)


def test_longitudinal_load_transfer(sheet: Sheet) -> None:
    # Transfer between axles = m a h / L (any text on vehicle dynamics).
    loads, _ = steady(sheet, 0.0, -11.0, 0.0)
    car = sheet.car
    transfer = car.mass_kg * 11.0 * car.centre_of_gravity_height_mm / car.wheelbase_mm
    static = np.array([sheet.static_load_n(c) for c in CORNERS])
    assert loads - static == pytest.approx(np.array([1, 1, -1, -1]) * transfer / 2.0, rel=1e-3)


def test_lateral_load_transfer_to_the_outside(sheet: Sheet) -> None:
    loads, travel = steady(sheet, 0.0, 0.0, 9.0)  # turning left: the right side is outside
    car = sheet.car
    static = np.array([sheet.static_load_n(c) for c in CORNERS])
    gained = (loads - static) * np.array([-1, 1, -1, 1])
    half = np.array([car.track_front_mm, car.track_front_mm, car.track_rear_mm, car.track_rear_mm]) / 2.0
    assert np.sum(gained * half) == pytest.approx(car.mass_kg * 9.0 * car.centre_of_gravity_height_mm, rel=1e-3)
    assert travel[1] > 0 > travel[0]
    assert travel[3] > 0 > travel[2]
    # The stiffer axle in roll takes more.
    roll_rate = [
        (
            sheet.suspension(c).spring.rate_at(0.0) * float(str(sheet.suspension(c).motion_ratio_damper_per_wheel)) ** 2
            + axle.anti_roll_bar_n_mm
        )
        for c, axle in (("FL", sheet.axle.front), ("RL", sheet.axle.rear))
    ]
    assert roll_rate[0] > roll_rate[1]
    assert gained[1] > gained[3]


def test_downforce_adds_to_the_axles(sheet: Sheet) -> None:
    loads, travel = steady(sheet, 55.0, 0.0, 0.0)
    pressure = 0.5 * 1.225 * 55.0**2
    static = np.array([sheet.static_load_n(c) for c in CORNERS])
    assert (loads - static)[:2].sum() == pytest.approx(pressure * DOWNFORCE_AREA_FRONT_M2, rel=1e-3)
    assert (loads - static)[2:].sum() == pytest.approx(pressure * DOWNFORCE_AREA_REAR_M2, rel=1e-3)
    assert (travel > 3.0).all()


def test_bar_acts_as_the_sheet_defines_it(sheet: Sheet) -> None:
    # Force per mm of one wheel's travel when the two move equally and oppositely; none when they move together.
    bar = next(e for e in build_elements(sheet) if e.kind == "bar" and e.corner == 0)
    opposite, together = np.zeros(19), np.zeros(19)
    opposite[3:5], together[3:5] = [1e-3, -1e-3], [1e-3, 1e-3]
    force = bar.slope * (opposite @ bar.reads) * bar.pushes[3:5]
    assert force == pytest.approx([-sheet.axle.front.anti_roll_bar_n_mm, sheet.axle.front.anti_roll_bar_n_mm])
    assert together @ bar.reads == pytest.approx(0.0)


def quarter_car(sheet: Sheet, body_kg: float, wheel_kg: float, spring_n_mm: float, tyre_n_mm: float) -> Sheet:
    raw: dict[str, Any] = sheet.model_dump(exclude_unset=True)
    raw["car"] |= {"mass_kg": 4.0 * (body_kg + wheel_kg), "front_share": 0.5}
    for axle in ("front", "rear"):
        raw["axle"][axle] |= {
            "motion_ratio_damper_per_wheel": 1.0,
            "spring": {"rate_n_mm": spring_n_mm},
            "tyre_rate_n_mm": tyre_n_mm,
            "unsprung_mass_kg": wheel_kg,
        }
    return Sheet.model_validate(raw)


@pytest.mark.parametrize(("degree", "published_hz"), [(0, 1.25), (3, 10.9)])
def test_natural_frequencies_of_a_published_car(sheet: Sheet, degree: int, published_hz: float) -> None:
    # Barton & Fieldhouse, Automotive Chassis Engineering (Springer 2018), p. 209: sprung 317.5 kg, unsprung 45.4 kg,
    # 22 and 192 kN/m: 1.25 Hz and 10.9 Hz undamped.
    body, wheel, spring, tyre = 317.5, 45.4, 22.0, 192.0
    car = quarter_car(sheet, body, wheel, spring, tyre)
    n = 20_000
    forces = np.zeros((n, 7))
    kick = slice(0, 20)
    if degree == 0:
        forces[kick, 0] = 4.0 * 500.0
    else:
        forces[kick, 3:7] = 500.0
    motion = run(car, forces, np.zeros((n, 4)), undamped=True)[500:, degree]
    ks, kt = spring * 1e3, tyre * 1e3
    matrix = np.array([[ks / body, -ks / body], [-ks / wheel, (ks + kt) / wheel]])
    closed_hz = np.sort(np.sqrt(np.linalg.eigvals(matrix).real))[0 if degree == 0 else 1] / (2.0 * np.pi)
    size = np.abs(np.fft.rfft(motion * np.hanning(motion.size), 64 * motion.size))
    found_hz = float(np.argmax(size)) / 64 / motion.size * RATE_HZ
    assert found_hz == pytest.approx(closed_hz, rel=3e-3)
    assert found_hz == pytest.approx(published_hz, rel=5e-3)


def test_ride_frequencies_are_those_of_such_a_car(sheet: Sheet) -> None:
    for name in ("FL", "RL"):
        part = sheet.suspension(name)
        ratio = part.motion_ratio_damper_per_wheel
        assert isinstance(ratio, float)
        assert part.tyre_rate_n_mm is not None
        assert part.damper is not None
        wheel = part.spring.rate_at(0.0) * ratio**2
        ride = wheel * part.tyre_rate_n_mm / (wheel + part.tyre_rate_n_mm)
        sprung = sheet.static_load_n(name) / GRAVITY_M_S2 - part.unsprung_mass_kg
        assert 2.5 < np.sqrt(ride * 1e3 / sprung) / (2.0 * np.pi) < 4.0
        middle = np.mean(part.damper.coefficients_at_zero()) * 1e3 * ratio**2
        assert 0.5 < middle / (2.0 * np.sqrt(wheel * 1e3 * sprung)) < 0.95


def independent_motion(sheet: Sheet, bump_mm: Floats, down_n: Floats) -> Floats:
    """Damper travel, pressed down and over a bump under the left wheels, by scipy from equations written out here."""
    car = sheet.car
    parts = [sheet.suspension(c) for c in CORNERS]
    inertia = masses(sheet)
    front_sprung = car.mass_kg * car.front_share - 2 * parts[0].unsprung_mass_kg
    rear_sprung = car.mass_kg * (1 - car.front_share) - 2 * parts[2].unsprung_mass_kg
    ahead = car.wheelbase_mm / 1e3 * rear_sprung / (front_sprung + rear_sprung)
    x = [ahead, ahead, ahead - car.wheelbase_mm / 1e3, ahead - car.wheelbase_mm / 1e3]
    y = [car.track_front_mm / 2e3, -car.track_front_mm / 2e3, car.track_rear_mm / 2e3, -car.track_rear_mm / 2e3]
    bars = [car_axle.anti_roll_bar_n_mm for car_axle in (sheet.axle.front, sheet.axle.rear)]
    times = np.arange(len(bump_mm)) / RATE_HZ

    def change(t: float, state: Floats) -> Floats:
        heave, pitch, roll, *wheels = state[:7]
        d_heave, d_pitch, d_roll, *d_wheels = state[7:]
        out = np.zeros(14)
        out[:7] = state[7:]
        bump = np.interp(t, times, bump_mm)
        travels = [(wheels[i] - (heave - x[i] * pitch + y[i] * roll)) * 1e3 for i in range(4)]
        for i, part in enumerate(parts):
            ratio = float(str(part.motion_ratio_damper_per_wheel))
            assert part.damper is not None
            assert part.bump_stop is not None
            assert part.spring.rate_n_mm is not None
            assert part.tyre_rate_n_mm is not None
            travel = travels[i] * ratio
            velocity = (d_wheels[i] - (d_heave - x[i] * d_pitch + y[i] * d_roll)) * 1e3 * ratio
            force = part.spring.rate_n_mm * travel + np.interp(velocity, *np.array(part.damper.curve).T)
            force += np.interp(travel - part.bump_stop.gap_mm, *np.array(part.bump_stop.force).T)
            beside = travels[i + 1 if i % 2 == 0 else i - 1]
            force = force * ratio + bars[i // 2] * (travels[i] - beside) / 2.0
            squash = (bump if i % 2 == 0 else 0.0) - wheels[i] * 1e3
            tyre = max(part.tyre_rate_n_mm * squash, -sheet.static_load_n(CORNERS[i]))
            out[7] += force / inertia[0]
            out[8] += -x[i] * force / inertia[1]
            out[9] += y[i] * force / inertia[2]
            out[10 + i] = (tyre - force) / inertia[3 + i]
        out[7] -= np.interp(t, times, down_n) / inertia[0]
        return out

    solved = scipy_integrate.solve_ivp(change, (0.0, times[-1]), np.zeros(14), "RK45", times, rtol=1e-7, max_step=2e-3)
    q = solved.y
    return np.stack(
        [
            (q[3 + i] - (q[0] - x[i] * q[1] + y[i] * q[2])) * 1e3 * float(str(parts[i].motion_ratio_damper_per_wheel))
            for i in range(4)
        ],
        axis=1,
    )


def test_agrees_with_an_independent_integration_over_a_bump(sheet: Sheet) -> None:
    n = 600
    t = np.arange(n) / RATE_HZ
    down = 8500.0 * np.clip(t / 0.3, 0.0, 1.0) ** 2  # presses the car onto its front bump stops
    bump = np.where((t > 0.35) & (t < 0.5), 16.0 * np.sin(np.pi * (t - 0.35) / 0.15) ** 2, 0.0)
    road = np.stack([bump, np.zeros(n), bump, np.zeros(n)], axis=1)
    forces = np.zeros((n, 7))
    forces[:, 0] = -down
    motion = run(sheet, forces, road)
    wheel = (motion[:, 3:7] - motion[:, :3] @ geometry(sheet).lift) * 1e3
    ratio = np.array([sheet.suspension(c).motion_ratio_damper_per_wheel for c in CORNERS], dtype=np.float64)
    expected = independent_motion(sheet, bump, down)
    assert expected.max() > 30.0  # on the stop, and not past its table
    assert expected.max() < 40.0
    assert np.abs(np.gradient(expected, axis=0)).max() * RATE_HZ < 600.0  # inside the damper curves
    np.testing.assert_allclose(wheel * ratio, expected, atol=0.12)


def test_fault_scales_only_its_corner_and_direction(sheet: Sheet) -> None:
    elements = build_elements(sheet)
    fault = DamperFault("RR", ("rebound",), scale=0.5, from_lap=4.0, over_laps=2.0)
    settings = StintSettings("one", "", damper_faults=(fault,))
    plain = slopes_at(elements, HEALTHY, 9.0)
    for lap, scale in ((3.9, 1.0), (5.0, 0.75), (8.0, 0.5)):
        ratio = slopes_at(elements, settings, lap) / plain
        for element, value in zip(elements, ratio, strict=True):
            hit = element.corner == 3 and element.kind == "rebound"
            assert value == pytest.approx(scale if hit else 1.0)


def test_dampers_take_up_what_was_stored(sheet: Sheet) -> None:
    # Pressed down by a constant force and let go, a linear spring system gives back half of force times distance.
    down_n, held, n = 2000.0, 3000, 9000
    forces = np.zeros((n, 7))
    forces[:held, 0] = -down_n
    motion = run(sheet, forces, np.zeros((n, 4)))
    ratio = np.array([sheet.suspension(c).motion_ratio_damper_per_wheel for c in CORNERS], dtype=np.float64)
    lift = geometry(sheet).lift
    assert (ratio * (motion[:, 3:7] - motion[:, :3] @ lift)).max() < 28e-3  # above the bump stops
    stored = 0.5 * down_n * -motion[held - 1, 0]
    velocity_m_s = ratio * (motion[:, 10:14] - motion[:, 7:10] @ lift)
    elements = build_elements(sheet)
    slopes = np.repeat(slopes_at(elements, HEALTHY, 1.0)[None], blocks_of(n), axis=0)
    force = damper_force_n(elements, slopes, block_of(n), velocity_m_s * 1e3)
    taken = float((force * velocity_m_s)[held:].sum()) / RATE_HZ
    assert stored > 5.0  # J
    assert taken == pytest.approx(stored, rel=0.01)


def curve_force_n(curve: list[tuple[float, float]], velocity: Floats) -> Floats:
    """A damper's force by its curve, the end slopes going on."""
    v, f = np.array(curve).T
    force: Floats = np.interp(velocity, v, f)
    for end, near, beyond in ((0, 1, velocity < v[0]), (-1, -2, velocity > v[-1])):
        force[beyond] = f[end] + (f[end] - f[near]) / (v[end] - v[near]) * (velocity[beyond] - v[end])
    return force


def test_damper_force_is_that_of_the_curve(sheet: Sheet) -> None:
    fault = DamperFault("RR", ("rebound",), scale=0.5)
    elements = build_elements(sheet)
    slopes = np.stack(
        [slopes_at(elements, one, 1.0) for one in (HEALTHY, StintSettings("", "", damper_faults=(fault,)))]
    )
    velocity = np.linspace(-900.0, 900.0, 181)
    for row in range(2):
        force = damper_force_n(elements, slopes, np.full(181, row), np.repeat(velocity[:, None], 4, axis=1))
        for corner, name in enumerate(CORNERS):
            damper = sheet.suspension(name).damper
            assert damper is not None
            expected = curve_force_n(damper.curve, velocity)
            if row == 1 and name == "RR":
                expected[velocity < 0.0] *= 0.5
            np.testing.assert_allclose(force[:, corner], expected, atol=1e-9)


def test_a_spring_pushes_what_it_carries_and_never_pulls(sheet: Sheet) -> None:
    elements = build_elements(sheet)
    for corner, name in enumerate(CORNERS):
        part = sheet.suspension(name)
        ratio = float(str(part.motion_ratio_damper_per_wheel))
        spring = next(e for e in elements if e.kind == "spring" and e.corner == corner)
        lowest_n = spring.slope * float(np.clip(-1.0, spring.low, spring.high))
        # At the wheel, what the static spring and the unsprung weight make together is the load on the road.
        at_wheel = -lowest_n * ratio + part.unsprung_mass_kg * GRAVITY_M_S2
        assert at_wheel == pytest.approx(sheet.static_load_n(name))
        assert 0.020 < spring_slack_m(sheet, name) < 0.025


def test_a_lifted_car_hangs_its_wheels_on_the_droop_stops(sheet: Sheet) -> None:
    # With loose springs metal carries the unsprung weight; springs that could pull would hold the wheels 13 mm higher.
    lifted = np.zeros((3000, 7))
    lifted[:, 0] = sheet.car.mass_kg * GRAVITY_M_S2
    end = run(sheet, lifted, np.zeros((3000, 4)))[-1]
    for corner, name in enumerate(CORNERS):
        part = sheet.suspension(name)
        ratio = float(str(part.motion_ratio_damper_per_wheel))
        travel = ratio * float(end[3 + corner] - end[:3] @ geometry(sheet).lift[:, corner]) * 1e3
        give = part.unsprung_mass_kg * GRAVITY_M_S2 / ratio / METAL_N_M * 1e3
        assert travel == pytest.approx(-part.travel_to_full_droop_mm - give, abs=0.01)


@pytest.mark.parametrize(
    ("path", "value", "named"),
    [
        ("axle.front.roll_centre_height_mm", 30.0, "FL roll_centre_height_mm"),
        ("axle.rear.anti_squat_percent", 20.0, "RR anti_squat_percent"),
        ("axle.rear.bump_stop.hysteresis", 0.2, "RL bump_stop.hysteresis"),
        ("axle.front.droop_stop", {"gap_mm": 30.0, "force": [[0.0, 0.0], [3.0, 900.0]]}, "FR droop_stop"),
        ("axle.front.tyre_growth_mm_at_100_m_s", 3.0, "FL tyre_growth_mm_at_100_m_s"),
    ],
)
def test_what_the_model_leaves_out_is_refused(sheet: Sheet, path: str, value: object, named: str) -> None:
    raw: dict[str, Any] = sheet.model_dump(exclude_unset=True)
    *holders, last = path.split(".")
    part = raw
    for key in holders:
        part = part[key]
    part[last] = value
    with pytest.raises(ValueError, match=named):
        build_elements(Sheet.model_validate(raw))
