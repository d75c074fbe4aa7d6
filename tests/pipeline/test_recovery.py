"""Heart rate and systolic after exercise, and what was done in the first minute of it."""

from __future__ import annotations

from collections.abc import Callable
from math import sqrt
from typing import Any

import pytest

# rest to 600 s, 50 W to 780, 100 W to 960, then recovery: exercise ends at 960 s; peak 180 bpm
END = 960.0


def ride(
    make: Any,
    bpm: Any = None,
    every_s: float = 1.0,
    *,
    watts: float | None = None,
    cadence_rpm: float | None = None,
    readings: tuple[Any, ...] = (),
    position: str = "ergometer",
    recovery: bool = True,
    source: dict[str, Any] | None = None,
    **opened: Any,
) -> Any:
    test = make(**opened)
    test.source(**source or {})
    test.stage(0, "rest")
    test.stage(600, watts=50)
    test.stage(780, watts=100)
    if recovery:
        test.stage(END, "recovery", 0, position=position)
    test.log(600, END, 1, heart_rate_bpm=180.0)
    if bpm is not None:
        test.log(END, END + 200, every_s, heart_rate_bpm=bpm)
    test.log(END - 100, END, 1, watts=100.0)
    pedalled = {"watts": watts, "cadence_rpm": cadence_rpm}
    given = {name: value for name, value in pedalled.items() if value is not None}
    if given:
        test.log(END, END + 100, 5, **given)
    for at_s, k1, *fields in readings:
        test.taken(at_s, k1, **{"clarity": "clear"} | (fields[0] if fields else {}))
    test.close(END + 300)
    return test


def falling(at_s: float) -> float:
    """180 bpm at the end, 0.5 bpm less a second."""
    return 180 - (at_s - END) / 2


HR: dict[str, tuple[dict[str, Any], float | None, float | None, str | None]] = {
    # (55, 65] has 56 to 65 s, on average 60.5: 30.25 below; 2 min 60.25
    "each second": ({"bpm": falling}, 30.25, 60.25, None),
    # 60 s and 65 s: 30 and 32.5 below
    "every 5 s": ({"bpm": falling, "every_s": 5}, 31.25, 61.25, None),
    # none in (55, 65] of 13, 26, 39, 52, 65, ... but 65: 32.5; in (115, 125] 117: 58.5
    "every 13 s": ({"bpm": falling, "every_s": 13}, 32.5, 58.5, None),
    # 42 and 56 s, so 56: 28; 112 and 126: 14 s apart around 120, on the line 60
    "every 14 s": ({"bpm": falling, "every_s": 14}, 28.0, 60.0, None),
    # 54 and 72 s are 18 s apart; 108 and 126 s too
    "every 18 s": ({"bpm": falling, "every_s": 18}, None, None, "no_sample"),
    # RR by turns of 90 and 120 bpm: five and five make 60000/((666.7 + 500)/2)
    "RR intervals": (
        {"bpm": lambda s: 90.0 if round(s) % 2 else 120.0, "source": {"measures": "heart_rate_bpm:rr"}},
        180 - 120000 / (60000 / 90 + 500), 180 - 120000 / (60000 / 90 + 500), None,
    ),
    "the log ends": ({"bpm": lambda s: falling(s) if s < END + 100 else 20.0}, 30.25, None, "no_sample"),
    "no log": ({}, None, None, "no_sample"),
}  # fmt: skip

MODES: dict[str, tuple[dict[str, Any], str | None, str | None]] = {
    "10 W": ({"watts": 10.0}, "active", None),
    "9 W": ({"watts": 9.0}, "passive", None),
    "20 rpm": ({"watts": 0.0, "cadence_rpm": 20.0}, "active", None),
    "19 rpm": ({"cadence_rpm": 19.0}, "passive", None),
    "lying": ({"watts": 0.0, "position": "supine"}, "supine", None),
    "lying on the ergometer": ({"watts": 0.0, "ergometer_posture": "supine"}, "supine", None),
    "pedalling while lying": ({"watts": 25.0, "ergometer_posture": "supine"}, "active", None),
    "seated beside it": ({"position": "seated"}, "passive", None),
    "on the ergometer, no log": ({}, None, "no_sample"),
    "no recovery": ({"recovery": False}, None, "no_stage"),
}

# u of a clear reading in exercise and recovery is 5 mmHg
AT_1, AT_3, PEAK = (END + 60, 160), (END + 180, 120), (END - 30, 200)
RATIOS: dict[str, tuple[tuple[Any, ...], float | None, str | None, float | None, str | None]] = {
    "all": ((PEAK, AT_1, AT_3), 120 / 160, None, 120 / 200, None),
    "15 s off": ((PEAK, (END + 75, 160), (END + 165, 120)), 120 / 160, None, 120 / 200, None),
    "15.1 s off": ((PEAK, (END + 75.1, 160), AT_3), None, "no_reading_1min", 120 / 200, None),
    "no 3 min": ((PEAK, AT_1, (END + 195.1, 120)), None, "no_reading_3min", None, "no_reading_3min"),
    "the nearest": ((PEAK, (END + 50, 170), AT_1, (END + 172, 130), AT_3), 120 / 160, None, 120 / 200, None),
    "doubtful": (
        (PEAK, (*AT_1, {"clarity": "doubtful"}), AT_3), None, "no_reading_1min", 120 / 200, None
    ),
    "no peak": (((END - 91, 200), AT_1, AT_3), 120 / 160, None, None, None),
    "peak above the cuff": (
        ((*PEAK, {"k1_at_least": True}), AT_1, AT_3), 120 / 160, None, None, "lower_bound"
    ),
}  # fmt: skip


@pytest.fixture(scope="module")
def derived(invented: Any, derive: Callable[..., Any]) -> Any:
    """All cases, derived in one pass."""
    cases = {f"hr {name}": ride(invented, **fields) for name, (fields, *_) in HR.items()}
    cases |= {f"mode {name}": ride(invented, **fields) for name, (fields, *_) in MODES.items()}
    cases |= {f"sbp {name}": ride(invented, readings=given) for name, (given, *_) in RATIOS.items()}
    cases |= {f"index {name}": rested(invented, **fields) for name, (fields, *_) in INDEX.items()}
    belts = ride(invented, falling, every_s=18)
    belts.source("watch", ranks="heart_rate_bpm=2")
    belts.log(END, END + 200, 1, source="watch", heart_rate_bpm=150.0)
    cases["two sources"] = belts
    cases["nothing"] = invented()
    return derive(cases)


def row(derived: Any, name: str) -> dict[str, Any]:
    [found] = derived.rows("heart_rate_recovery", name)
    return dict(found)


def near(value: float | None) -> Any:
    return None if value is None else pytest.approx(value, abs=1e-6)


@pytest.mark.parametrize("name", HR)
def test_heart_rate_recovery(derived: Any, name: str) -> None:
    _, one, two, note = HR[name]
    found = row(derived, f"hr {name}")
    assert found["hr_recovery_1min_bpm"] == near(one)
    assert found["hr_recovery_2min_bpm"] == near(two)
    assert found["hr_recovery_note"] == note


def test_the_first_source_that_gives_it_counts(derived: Any) -> None:
    # of the belt 54 and 72 s are too far apart, and 180 - 150 is left
    assert row(derived, "two sources")["hr_recovery_1min_bpm"] == near(30)


@pytest.mark.parametrize("name", MODES)
def test_recovery_mode(derived: Any, name: str) -> None:
    found = row(derived, f"mode {name}")
    assert (found["recovery_mode"], found["recovery_mode_note"]) == MODES[name][1:]


@pytest.mark.parametrize("name", RATIOS)
def test_ratios_of_systolic(derived: Any, name: str) -> None:
    _, one, one_note, peak, peak_note = RATIOS[name]
    [found] = derived.rows("sbp_rises", f"sbp {name}")
    assert found["sbp_recovery_3min_1min"] == near(one)
    assert found["sbp_recovery_3min_peak"] == near(peak)
    assert (found["sbp_recovery_note"], found["sbp_recovery_peak_note"]) == (one_note, peak_note)
    # 5 mmHg in each: a/b sqrt((5/a)^2 + (5/b)^2)
    of_one = None if one is None else one * sqrt((5 / 120) ** 2 + (5 / 160) ** 2)
    of_peak = None if peak is None else peak * sqrt((5 / 120) ** 2 + (5 / 200) ** 2)
    assert found["u_sbp_recovery_3min_1min"] == near(of_one)
    assert found["u_sbp_recovery_3min_peak"] == near(of_peak)


# ---- chronotropic index -------------------------------------------------------------------------

MAXIMAL = {"intent": "maximal", "age_years": 40.0, "medication": "none"}
INDEX: dict[str, tuple[dict[str, Any], float | None, str | None]] = {
    # peak 180, rest 70, predicted 208 - 0.7 * 40 = 180: 110/110
    "reached": (MAXIMAL, 1.0, None),
    # predicted 208 - 14 = 194: 110/124
    "younger": (MAXIMAL | {"age_years": 20.0}, 110 / 124, None),
    "not meant": (MAXIMAL | {"intent": "submaximal"}, None, "not_maximal"),
    "not said": (MAXIMAL | {"intent": None}, None, "not_maximal"),
    "under 18": (MAXIMAL | {"age_years": 17.0}, None, None),
    "beta-blocker": (MAXIMAL | {"medication": "beta_blocker+other"}, 1.0, "beta_blocker"),
    "medication unknown": (MAXIMAL | {"medication": "unknown"}, 1.0, "medication_unknown"),
    # predicted 208 - 0.7 * 120 = 124, 20 above rest
    "no reserve": (MAXIMAL | {"age_years": 120.0, "rest_bpm": 104.0}, None, "reserve_under_20"),
}


def rested(make: Any, rest_bpm: float = 70.0, **opened: Any) -> Any:
    test = ride(make, falling, **opened)
    test.log(100, 590, 5, heart_rate_bpm=rest_bpm)
    test.taken(400, 120, 80)
    return test


@pytest.mark.parametrize("name", INDEX)
def test_chronotropic_index(derived: Any, name: str) -> None:
    found = row(derived, f"index {name}")
    assert found["chronotropic_index"] == near(INDEX[name][1])
    assert found["chronotropic_note"] == INDEX[name][2]


def test_a_test_of_nothing_has_a_row(derived: Any) -> None:
    found = row(derived, "nothing")
    assert found["hr_max_method"] == "tanaka"
    assert {found[name] for name in ("hr_recovery_1min_bpm", "recovery_mode", "hr_max_pred_bpm")} == {None}
