"""Mischief to the letter: what comes out is recounted here by hand and must be what the account says."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from console.mischief import Account, Frame, Mischief, Plan

SAMPLES = 10
STEP_S = 0.02


def frames(count: int) -> list[Frame]:
    return [Frame(n * SAMPLES, SAMPLES, (n + 1) * STEP_S, b"%06d!" % n + b"\0") for n in range(count)]


def run(plan: Plan, count: int = 400) -> tuple[list[Frame], Account]:
    mischief = Mischief(plan)
    out = [sent for frame in frames(count) for sent in mischief.take(frame)]
    return out + list(mischief.finish()), mischief.account


rates = st.sampled_from([0.0, 0.02, 0.3, 1.0])
plans = st.builds(
    Plan,
    drop=st.sampled_from([0.0, 0.02, 0.3]),
    corrupt=rates,
    duplicate=rates,
    reorder=rates,
    delay=rates,
    delay_s=st.sampled_from([0.0, 0.03, 0.5]),
    pulls=st.sampled_from([(), ((1.0, 0.5),), ((0.0, 0.2), (2.0, 1.0))]),
    seed=st.integers(0, 5),
)


def test_without_a_plan_all_frames_come_as_they_are() -> None:
    out, account = run(Plan())
    assert [(frame.first_sample, frame.payload) for frame in out] == [
        (frame.first_sample, frame.payload) for frame in frames(400)
    ]
    assert account.sent_samples == account.read_samples == 4000
    assert account.undelivered_samples == account.held_frames == 0
    assert Plan().harmless


@given(plans)
def test_the_account_is_what_left(plan: Plan) -> None:
    out, account = run(plan)
    whole = {frame.first_sample: frame.payload for frame in frames(400)}
    left = {frame.first_sample for frame in out}
    intact = {frame.first_sample for frame in out if frame.payload == whole[frame.first_sample]}
    damaged = {frame.first_sample for frame in out if frame.payload != whole[frame.first_sample]}
    assert account.read_frames == 400
    assert account.held_frames == account.held_samples == 0
    assert account.sent_frames == len(left)
    assert account.copies_frames == len(out) - len(left)
    assert account.damaged_frames == len(damaged)
    assert account.damaged_samples == SAMPLES * len(damaged)
    assert account.undelivered_samples == SAMPLES * (400 - len(intact))
    assert account.sent_bytes == sum(len(frame.payload) for frame in out)
    assert account.dropped_frames + account.pulled_frames == 400 - len(left)
    first_of = [frame.first_sample for place, frame in enumerate(out) if frame.first_sample not in seen(out[:place])]
    late = [n for place, n in enumerate(first_of) if place and n < max(first_of[:place])]
    assert account.out_of_order_frames == len(late)
    assert not any(at <= frame.due_s < at + during for frame in out for at, during in plan.pulls)


def seen(out: list[Frame]) -> set[int]:
    return {frame.first_sample for frame in out}


@given(plans)
def test_frames_leave_in_the_order_of_their_time_and_the_same_each_time(plan: Plan) -> None:
    out, account = run(plan)
    assert (out, account) == run(plan)
    due = [frame.due_s for frame in out]
    assert due == sorted(due)


def test_another_seed_is_other_mischief() -> None:
    assert run(Plan(drop=0.2, seed=1))[0] != run(Plan(drop=0.2, seed=2))[0]


@pytest.mark.parametrize("kind", ["drop", "corrupt", "duplicate", "reorder", "delay"])
def test_rates_are_kept(kind: str) -> None:
    out, account = run(Plan(**{kind: 0.1}, delay_s=0.1), 5000)  # type: ignore[arg-type]
    met = {
        "drop": account.dropped_frames,
        "corrupt": account.damaged_frames,
        "duplicate": account.copies_frames,
        "reorder": account.out_of_order_frames,
        "delay": account.delayed_frames,
    }
    # Binomial: 500 with a standard deviation of 21. Of two neighbours that both are to be swapped only one can be.
    assert 400 < met.pop(kind) < 600
    assert {name for name, count in met.items() if count} <= ({"reorder"} if kind == "delay" else set())
    assert out


def test_one_more_kind_leaves_the_others_their_frames() -> None:
    one, _ = run(Plan(drop=0.1))
    two, _ = run(Plan(drop=0.1, corrupt=0.5, duplicate=0.5, delay=0.5, delay_s=0.1))
    assert seen(one) == seen(two)


def test_all_dropped() -> None:
    out, account = run(Plan(drop=1.0))
    assert out == []
    assert account.dropped_samples == account.undelivered_samples == 4000


def test_damage_is_one_to_three_bits_and_never_in_the_last_byte() -> None:
    out, _ = run(Plan(corrupt=1.0))
    counts = set()
    for sent, frame in zip(out, frames(400), strict=True):
        turned = [bin(a ^ b).count("1") for a, b in zip(sent.payload, frame.payload, strict=True)]
        counts.add(sum(turned))
        assert turned[-1] == 0
    assert counts == {1, 2, 3}


def test_a_swap_is_with_the_next() -> None:
    out, account = run(Plan(reorder=1.0), 6)
    assert [frame.first_sample // SAMPLES for frame in out] == [1, 0, 3, 2, 5, 4]
    assert account.out_of_order_frames == 3


def test_the_last_frame_has_none_to_be_swapped_with() -> None:
    out, account = run(Plan(reorder=1.0), 3)
    assert [frame.first_sample // SAMPLES for frame in out] == [1, 0, 2]
    assert account.out_of_order_frames == 1
    assert account.held_frames == 0


def test_a_delayed_frame_is_overtaken() -> None:
    mischief = Mischief(Plan(delay=1.0, delay_s=0.05))
    one, two, three = frames(3)
    assert list(mischief.take(one)) == []
    mischief._plan = replace(mischief._plan, delay=0.0)
    assert [frame.number for frame in mischief.take(two)] == [1]
    assert [frame.number for frame in mischief.take(three)] == [2]
    (late,) = mischief.finish()
    assert late.number == 0
    assert late.due_s == pytest.approx(STEP_S + 0.05)
    assert mischief.account.delayed_frames == mischief.account.out_of_order_frames == 1


def test_what_would_leave_without_a_cable_is_lost() -> None:
    out, account = run(Plan(pulls=((1.0, 0.5), (4.0, 0.1))))
    assert [frame.first_sample for frame in frames(400) if frame.first_sample not in seen(out)] == [
        frame.first_sample for frame in frames(400) if 1.0 <= frame.due_s < 1.5 or 4.0 <= frame.due_s < 4.1
    ]
    assert account.pulled_frames == 30


def test_a_frame_at_which_the_link_failed_is_not_sent() -> None:
    mischief = Mischief(Plan())
    first, second = frames(2)
    list(mischief.take(first))
    next(iter(mischief.take(second)))
    assert (mischief.account.sent_frames, mischief.account.held_frames) == (1, 1)


@pytest.mark.parametrize(
    "wrong",
    [
        {"drop": -0.1},
        {"corrupt": 1.1},
        {"reorder": float("nan")},
        {"delay": 2.0},
        {"delay_s": -1.0},
        {"delay_s": float("nan")},
        {"pulls": ((-1.0, 2.0),)},
        {"pulls": ((1.0, 0.0),)},
        {"pulls": ((float("nan"), 1.0),)},
    ],
)
def test_rates_that_are_none_are_refused(wrong: dict[str, float]) -> None:
    with pytest.raises(ValueError, match=r"rate is 0 to 1|late by|pull"):
        Plan(**wrong)  # type: ignore[arg-type]
