"""The highest load of a test: by credit, of a ramp, as ridden, and why there is none."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

RAMP = {"target_watts_to": 200.0}


def ride(
    make: Any,
    stages: list[tuple[Any, ...]],
    *,
    pedals_to_s: float | None = None,
    recovery_s: float = 60,
    reason: str | None = None,
    **opened: Any,
) -> Any:
    """A test of these stages: (planned s or None, ridden s, W or a function of s or None, fields)."""
    test = make(**opened)
    test.source()
    at_s = 0.0
    ends_s = pedals_to_s or sum(stage[1] for stage in stages)
    for planned_s, ridden_s, watts, *fields in stages:
        test.stage(at_s, **{"planned_s": planned_s} | (fields[0] if fields else {}))
        if watts is not None:
            course = watts if callable(watts) else lambda s, watts=watts: watts
            # from its first second on; the sample at its end belongs to the next
            test.log(
                at_s - 1, at_s + ridden_s - 1, watts=lambda s, course=course: course(s) if s < ends_s else 0.0
            )
        at_s += ridden_s
    if recovery_s:
        test.stage(at_s, "recovery", 0)
        test.log(at_s - 1, at_s + recovery_s, watts=0.0)
    test.close(at_s + recovery_s, reason=reason)
    return test


CASES: dict[str, tuple[list[tuple[Any, ...]], float | None, str | None, str | None]] = {
    # 100 W ridden whole, 150 W for 60 of 180 s: 100 + 50 * 60/180
    "a part of the next": ([(180, 180, 100.0), (180, 60, 150.0)], 100 + 50 / 3, "credit", None),
    "all ridden": ([(180, 180, 100.0), (180, 180, 150.0)], 150.0, "credit", None),
    # 5 s short of its end it counts as ridden
    "5 s short": ([(180, 180, 100.0), (180, 175, 150.0)], 150.0, "credit", None),
    # 6 s short: 100 + 50 * 174/180
    "6 s short": ([(180, 180, 100.0), (180, 174, 150.0)], 100 + 50 * 174 / 180, "credit", None),
    "5 W higher": ([(180, 180, 100.0), (180, 90, 105.0)], 100.0, "credit", None),
    "6 W higher": ([(180, 180, 100.0), (180, 90, 106.0)], 103.0, "credit", None),
    # 25 W to ride out are not what was reached
    "ridden out": ([(180, 180, 100.0), (180, 180, 150.0), (180, 180, 25.0)], 150.0, "credit", None),
    # 150 W for 60 s gives 100 + 50/3 also where easy pedalling follows
    "a part, then ridden out": (
        [(180, 180, 100.0), (180, 60, 150.0), (180, 180, 25.0)], 100 + 50 / 3, "credit", None
    ),
    "the first is broken off": ([(180, 100, 100.0)], None, None, "no_complete_stage"),
    "no load in the next": ([(180, 180, 100.0), (180, 60, None)], 100.0, "credit", "no_load"),
    "no load in the last whole one": ([(180, 180, 100.0), (180, 180, None)], None, None, "no_load"),
    "no load at all": ([(180, 180, None)], None, None, "no_load"),
    "no plan": ([(None, 180, 100.0), (None, 70, 150.0), (None, 50, 175.0)], 150.0, "ridden", None),
    "no plan for one": ([(180, 180, 100.0), (None, 60, 150.0)], 150.0, "ridden", None),
    "no plan, 59 s": ([(None, 59, 100.0)], None, None, "no_complete_stage"),
    # 50 W + 0.5 W/s: samples at 226 to 239 s and 225 s (from the one 15 s before the end on)
    "ramp": ([(300, 240, lambda s: 50 + s / 2, RAMP)], 50 + 232 / 2, "ramp", None),
    "ramp after a step": (
        [(60, 60, 50.0), (300, 240, lambda s: 20 + s / 2, RAMP)], 20 + 292 / 2, "ramp", None
    ),
    "ramp without load": ([(300, 240, None, RAMP)], None, None, "no_load"),
    "warmup only": ([(180, 180, 20.0, {"phase": "warmup"})], None, None, "no_exercise_stage"),
}  # fmt: skip


@pytest.fixture(scope="module")
def derived(invented: Any, derive: Callable[..., Any]) -> Any:
    """All cases, derived in one pass."""
    cases = {name: ride(invented, stages) for name, (stages, *_) in CASES.items()}
    cases |= {name: ride(invented, [(180, 180, 100.0)], **facts) for name, (facts, _) in LIMITS.items()}
    cases["falls early"] = ride(invented, [(180, 180, 100.0), (180, 120, 150.0)], pedals_to_s=255)
    cases["no recovery"] = ride(invented, [(180, 180, 100.0), (180, 180, 150.0)], recovery_s=0)
    cases["nothing"] = invented()
    return derive(cases)


@pytest.mark.parametrize("name", CASES)
def test_highest_load(derived: Any, name: str) -> None:
    _, watts, method, note = CASES[name]
    [row] = derived.rows("watts_peaks", name)
    assert row["watts_peak"] == (None if watts is None else pytest.approx(watts, abs=1e-9))
    assert (row["watts_peak_method"], row["watts_peak_note"]) == (method, note)
    assert row["watts_peak_is_limit"] is (None if watts is None else False)


def test_a_stage_is_ridden_until_the_load_falls(derived: Any) -> None:
    # the load falls at 255 s, 75 s into 180 s of 150 W, though recovery was noted at 300 s
    [row] = derived.rows("watts_peaks", "falls early")
    assert row["watts_peak"] == pytest.approx(100 + 50 * 75 / 180, abs=1e-9)


def test_without_recovery_exercise_ends_with_the_last_stage(derived: Any) -> None:
    assert derived.rows("watts_peaks", "no recovery")[0]["watts_peak"] == 150


LIMITS: dict[str, tuple[dict[str, Any], bool]] = {
    "meant and reached": ({"intent": "maximal", "reason": "exhaustion"}, True),
    "tired legs": ({"intent": "maximal", "reason": "leg_fatigue"}, False),
    "no reason": ({"intent": "maximal"}, False),
    "not meant": ({"intent": "symptom_limited", "reason": "exhaustion"}, False),
    "not said": ({"reason": "exhaustion"}, False),
}


@pytest.mark.parametrize("name", LIMITS)
def test_a_limit_only_where_it_was_meant_and_reached(derived: Any, name: str) -> None:
    assert derived.rows("watts_peaks", name)[0]["watts_peak_is_limit"] is LIMITS[name][1]


def test_no_stages(derived: Any) -> None:
    [row] = derived.rows("watts_peaks", "nothing")
    assert (row["watts_peak"], row["watts_peak_note"]) == (None, "no_exercise_stage")
