"""Which bladder an arm wants, and what flags say of one that does not fit.

Sizes, width x length in cm, as the AHA/AMA page prints them (after Pickering et al., Hypertension
2005;45:142, https://targetbp.org/patient-measured-bp/implementing/smbp-selecting-the-right-cuff-size/):
22-26 cm small adult 12 x 22; 27-34 adult 16 x 30; 35-44 large adult 16 x 36; 45-52 extra-large 16 x 42.
The same page: length at least 80 %, width at least 40 % of the arm; 80 to 100 % in the Korean Society of
Hypertension 2013, Table 4.
"""

from __future__ import annotations

from typing import Any

import pytest

from pipeline.bladder import BLADDERS, bladder_for

PRINTED = {(22, 26): (12, 22), (27, 34): (16, 30), (35, 44): (16, 36), (45, 52): (16, 42)}


def size(arm_cm: float) -> tuple[float, float] | None:
    found = bladder_for(arm_cm)
    return None if found is None else (found.width_cm, found.length_cm)


@pytest.mark.parametrize(("arm", "expected"), PRINTED.items())
def test_the_table_in_print(arm: tuple[int, int], expected: tuple[float, float]) -> None:
    assert [size(cm) for cm in range(arm[0], arm[1] + 1)] == [expected] * (arm[1] + 1 - arm[0])


@pytest.mark.parametrize("arm_cm", [21.9, 52.1, 10.0, 80.0])
def test_no_size_beyond_the_table(arm_cm: float) -> None:
    assert bladder_for(arm_cm) is None


@pytest.mark.parametrize(
    ("arm_cm", "expected"),
    [
        # nothing is printed here; by hand the smaller one: 22 / 26.9 is 82 %, 30 / 26.1 would be 115 %
        (26.1, (12, 22)),
        (26.9, (12, 22)),
        # 30 / 34.9 is 86 %, 36 / 34.1 would be 106 %
        (34.1, (16, 30)),
        (34.9, (16, 30)),
        # 36 / 44.9 is 80.2 %
        (44.1, (16, 36)),
        (44.9, (16, 36)),
    ],
)
def test_between_two_sizes_the_smaller_one(arm_cm: float, expected: tuple[float, float]) -> None:
    assert size(arm_cm) == expected


def test_every_size_covers_80_percent_of_its_arms_and_where_the_table_leaves_100() -> None:
    too_long = []
    for tenth in range(220, 521):
        found = bladder_for(tenth / 10)
        assert found is not None
        assert found.length_cm >= 0.8 * tenth / 10
        if found.length_cm > tenth / 10:
            too_long.append(tenth / 10)
    # by hand: 30 cm overlap on arms of 27 to 29.9, 36 cm on arms of 35 to 35.9
    assert too_long == [n / 10 for n in (*range(270, 300), *range(350, 360))]


def test_an_arm_of_40_cm() -> None:
    # same page: the least length is 32 cm, so the large adult size
    found = bladder_for(40)
    assert found is not None
    assert (found.cuff, found.length_cm) == ("large adult", 36)
    assert found.length_cm >= 32


@pytest.fixture(scope="module")
def flagged(tiny_test: Any, derived_together: Any) -> dict[str, list[tuple[str, str, float, str]]]:
    """`arm length width` -> code, level, observed and words of the flags about that bladder."""
    cases = [(arm / 10, 28.0, 11.0) for arm in range(200, 541, 7)]
    cases += [(arm / 10, 28.0, 11.0) for arm in (260, 261, 269, 349, 350, 449, 450, 520, 521)]
    cases += [
        (28.0, 30.0, 16.0),
        (28.0, 30.0, 12.0),
        (40.0, 32.0, 16.0),
        (40.0, 31.9, 16.0),
        (42.0, 36.0, 16.0),
    ]
    tests = {}
    for arm, length, width in cases:
        test = tiny_test(arm_circumference_cm=arm, bladder_length_cm=length, bladder_width_cm=width)
        tests[f"{arm:g} {length:g} {width:g}"] = test
    return {
        name: [
            (row["code"], row["level"], row["observed"], row["detail"])
            for row in rows
            if row["code"].startswith("bladder")
        ]
        for name, rows in derived_together(tests, 10, "flags").items()
    }


def test_flags_name_the_size_that_the_function_names(flagged: Any) -> None:
    words = set()
    for case, flags in flagged.items():
        arm, length, _ = (float(part) for part in case.split())
        found = bladder_for(arm)
        for _, _, _, detail in flags:
            if found is None:
                assert detail == f"of the arm; AHA 2005 has no cuff for {arm:g} cm"
            elif length == 28:
                assert detail == f"of the arm; for {arm:g} cm AHA 2005 has the {found.words}"
            words.add(detail.split(" has ")[1])
    assert {one.removeprefix("the ") for one in words} >= {found.words for found in BLADDERS}


@pytest.mark.parametrize(
    ("case", "expected"),
    [
        # 32 of 40 cm is 80 %, 16 of 40 is 40 %: nothing to say
        ("40 32 16", []),
        (
            "40 31.9 16",
            [
                (
                    "bladder_length",
                    "check",
                    79.75,
                    "for 40 cm AHA 2005 has the large adult cuff, bladder 16 x 36 cm",
                )
            ],
        ),
        # the table itself: 30 cm on an arm of 28 cm is 107 %, 16 cm on one of 42 cm is 38 %
        ("28 30 16", [("bladder_length", "check", 3000 / 28, "yet for 28 cm AHA 2005 has this cuff")]),
        (
            "28 30 12",
            [
                (
                    "bladder_length",
                    "check",
                    3000 / 28,
                    "for 28 cm AHA 2005 has the adult cuff, bladder 16 x 30 cm",
                )
            ],
        ),
        ("42 36 16", [("bladder_width", "check", 1600 / 42, "yet for 42 cm AHA 2005 has this cuff")]),
    ],
)
def test_words_of_a_bladder_that_does_not_fit(flagged: Any, case: str, expected: Any) -> None:
    # 12 of 28 cm is 43 %
    assert flagged[case] == [
        (code, level, pytest.approx(observed), f"of the arm; {words}")
        for code, level, observed, words in expected
    ]
