"""Resting classes at every boundary of the two guidelines, and why there is none.

ACC/AHA 2017 (Whelton 2018): below 120 and below 80 normal; 120-129 and below 80 elevated; 130-139 or
80-89 stage 1; 140 or 90 and more stage 2.  ESC 2024 (McEvoy, Eur Heart J 2024;45:3912): below 120/70 not
elevated; 120-139 or 70-89 elevated; 140 or 90 and more hypertension.
"""

from __future__ import annotations

from itertools import product
from typing import Any

import pytest


@pytest.fixture
def rested(tiny_test: Any) -> Any:
    """(k1, k5, first reading s, readings, position, **opened) -> classes and note after a seated rest."""

    def classes(
        k1: float = 118,
        k5: float = 74,
        first_s: float = 320,
        n: int = 2,
        position: str = "seated",
        **opened: Any,
    ) -> tuple[Any, Any, Any]:
        test = tiny_test(**{"age_years": 40.0} | opened)
        test.stage(0, 0, "rest", position=position)
        for number in range(n):
            test.reading(first_s + 60 * number, k1, k5)
        row = test.summary(600)
        return row["rest_class_acc_aha"], row["rest_class_esc"], row["rest_class_note"]

    return classes


# the last and the first value of each class in print, on either side of every boundary
SYSTOLIC, DIASTOLIC = (119, 120, 129, 130, 139, 140), (69, 70, 79, 80, 89, 90)
# from the highest class down: (class, lowest systolic, lowest diastolic), one of them is enough
ACC_AHA = (("stage_2", 140, 90), ("stage_1", 130, 80), ("elevated", 120, None), ("normal", 0, 0))
ESC = (("hypertension", 140, 90), ("elevated", 120, 70), ("non_elevated", 0, 0))


def printed(table: tuple[tuple[str, int, int | None], ...], k1: float, k5: float) -> str:
    return next(name for name, sbp, dbp in table if k1 >= sbp or (dbp is not None and k5 >= dbp))


def test_every_boundary(tiny_test: Any, derived_together: Any) -> None:
    tests, expected = {}, {}
    for k1, k5 in product(SYSTOLIC, DIASTOLIC):
        test = tiny_test(age_years=40.0)
        test.stage(0, 0, "rest")
        test.reading(320, k1, k5)
        test.reading(380, k1, k5)
        tests[f"{k1}/{k5}"] = test
        expected[f"{k1}/{k5}"] = (printed(ACC_AHA, k1, k5), printed(ESC, k1, k5), None)
    found = {
        name: (row["rest_class_acc_aha"], row["rest_class_esc"], row["rest_class_note"])
        for name, [row] in derived_together(tests, 600, "summary").items()
    }
    assert found == expected


@pytest.mark.parametrize(
    ("k1", "k5", "acc_aha", "esc"),
    [
        # as the tables are read out, without a table
        (119, 69, "normal", "non_elevated"),
        (118, 74, "normal", "elevated"),
        (120, 69, "elevated", "elevated"),
        (129, 80, "stage_1", "elevated"),
        (130, 79, "stage_1", "elevated"),
        (119, 90, "stage_2", "hypertension"),
        (140, 69, "stage_2", "hypertension"),
    ],
)
def test_classes_read_out(rested: Any, k1: float, k5: float, acc_aha: str, esc: str) -> None:
    assert rested(k1, k5) == (acc_aha, esc, None)


@pytest.mark.parametrize(
    ("how", "note"),
    [
        ({"n": 0}, "no_rest_reading"),
        ({"position": "supine"}, "not_seated"),
        ({"n": 1}, "rest_single"),
        ({"first_s": 299}, "rest_short"),
        ({"k5": None}, "no_rest_diastolic"),
        ({"age_years": 17.0}, "under_18"),
    ],
)
def test_no_class_with_its_reason(rested: Any, how: dict[str, Any], note: str) -> None:
    assert rested(**how) == (None, None, note)


def test_five_minutes_are_enough_and_an_unknown_age_is_said(rested: Any) -> None:
    assert rested(first_s=300) == ("normal", "elevated", None)
    assert rested(age_years=None) == ("normal", "elevated", "no_age")


def test_the_mean_counts(tiny_test: Any) -> None:
    test = tiny_test(age_years=40.0)
    test.stage(0, 0, "rest")
    # 141 and 138 of systolic: 139.5; the later rest on the ergometer does not count
    test.reading(320, 141, 74)
    test.reading(400, 138, 74)
    test.stage(1, 600, "rest", position="ergometer")
    test.reading(950, 150, 95)
    test.reading(1010, 150, 95)
    row = test.summary(1100)
    assert (row["rest_class_acc_aha"], row["rest_class_esc"]) == ("stage_1", "elevated")
