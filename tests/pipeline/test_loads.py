"""Load and heart rate at a reading, and how fast the cuff fell (definitions: times, load)."""

from __future__ import annotations

from math import sqrt

import pytest

# exercise from 600 to 780 and from 780 to 960 in every case; one bike at 1 Hz unless said


def build(invented, cases):
    built = {}
    for name, (happens, _) in cases.items():
        built[name] = invented()
        happens(built[name])
        built[name].close(1500)
    return built


def two_stages(t):
    t.rest_and_loads(50, 100)


def assert_holds(row, expected):
    for name, value in expected.items():
        if isinstance(value, float):
            assert row[name] == pytest.approx(value, rel=1e-9), name
        else:
            assert row[name] == value, name


# ---- the window -------------------------------------------------------------------------------


def logged(*logs, at_s=740.0, source=None, **taken):
    """Each log is (from, to, every, measures)."""

    def happens(t):
        t.source(**source or {})
        two_stages(t)
        for from_s, to_s, every_s, measures in logs:
            t.log(from_s, to_s, every_s, **measures)
        t.taken(at_s, 150, 80, **taken)

    return happens


def ticking(at_s):
    return at_s % 2  # 1 at odd seconds, 0 at even ones


WINDOWS = {
    # (710, 740]: the sample at 710 is out, that at 740 in: 30 samples
    "whole": (
        logged((600, 780, 1, {"watts": lambda s: s})),
        {
            "watts": (711 + 740) / 2,
            "watts_n": 30,
            "watts_age_s": 0.0,
            "load_window_s": 30.0,
            "watts_sd": sqrt(30 * 31 / 12),
            "watts_source": "bike",
            "watts_note": None,
        },
    ),
    # n consecutive integers have a variance of n (n + 1)/12
    "edges": (
        logged((709, 741, 1, {"watts": lambda s: 100.0 if 710 < s <= 740 else 900.0})),
        {"watts": 100.0, "watts_n": 30, "watts_sd": 0.0},
    ),
    # 20 s into the stage the window is cut to (600, 620]
    "cut to the stage": (
        logged((560, 780, 1, {"watts": lambda s: 100.0 if s > 600 else 0.0}), at_s=620),
        {"watts": 100.0, "watts_n": 20, "load_window_s": 20.0},
    ),
    "one sample": (
        logged((739, 740, 1, {"watts": 90.0})),
        {"watts": 90.0, "watts_n": 1, "watts_sd": None},
    ),
    "none": (
        logged((600, 710, 1, {"watts": 90.0})),
        {"watts": None, "watts_n": 0, "watts_age_s": None, "watts_source": None, "watts_note": "no_sample"},
    ),
    # at 1 Hz the limit is 10 s: max(10, 2.5)
    "10 s old": (
        logged((600, 730, 1, {"watts": 90.0})),
        {"watts": 90.0, "watts_n": 20, "watts_age_s": 10.0, "watts_note": None},
    ),
    "11 s old": (
        logged((600, 729, 1, {"watts": 90.0})),
        {"watts": None, "watts_n": 19, "watts_age_s": 11.0, "watts_sd": None, "watts_note": "stale"},
    ),
    # every 8 s: 2.5 * 8 = 20 s
    "slow log, 20 s old": (
        logged((600, 720, 8, {"watts": 90.0})),
        {"watts": 90.0, "watts_n": 2, "watts_age_s": 20.0},  # at 712 and 720
    ),
    "slow log, 21 s old": (
        logged((599, 719, 8, {"watts": 90.0})),
        {"watts": None, "watts_n": 2, "watts_age_s": 21.0, "watts_note": "stale"},  # at 711 and 719
    ),
    # every 20 s: 2.5 * 20 = 50, held to 30
    "very slow log": (
        logged((591, 711, 20, {"watts": 90.0})),
        {"watts": 90.0, "watts_n": 1, "watts_age_s": 29.0},
    ),
    "out of range": (
        logged(
            (710, 720, 1, {"watts": 90.0, "cadence_rpm": 60.0, "heart_rate_bpm": 120.0}),
            (720, 730, 1, {"watts": -20.5, "cadence_rpm": -1.0, "heart_rate_bpm": 24.9}),
            (730, 740, 1, {"watts": 2000.5, "cadence_rpm": 200.5, "heart_rate_bpm": 240.5}),
            at_s=731,
        ),
        {"watts": None, "watts_n": 10, "watts_note": "stale", "cadence_n": 10, "heart_rate_n": 10},
    ),
    "on the limits of the range": (
        logged(
            (738, 739, 1, {"watts": -20.0, "cadence_rpm": 0.0, "heart_rate_bpm": 25.0}),
            (739, 740, 1, {"watts": 2000.0, "cadence_rpm": 200.0, "heart_rate_bpm": 240.0}),
        ),
        {"watts": 990.0, "cadence_rpm": 100.0, "heart_rate_bpm": 132.5, "heart_rate_n": 2},
    ),
    "one time twice counts once, the last": (
        logged((738, 740, 1, {"watts": 50.0}), (738, 740, 1, {"watts": 90.0})),
        {"watts": 90.0, "watts_n": 2},
    ),
    "the last of one time, though out of range": (
        logged((738, 740, 1, {"watts": 50.0}), (739, 740, 1, {"watts": 5000.0})),
        {"watts": 50.0, "watts_n": 1, "watts_age_s": 1.0},
    ),
    "another measure at the same time is no duplicate": (
        logged((738, 740, 1, {"watts": 50.0}), (738, 740, 1, {"heart_rate_bpm": 120.0})),
        {"watts": 50.0, "watts_n": 2, "heart_rate_n": 2},
    ),
    # RR 500 ms and 1000 ms: 120 and 60 bpm; 60000 / 750 = 80, not 90
    "RR intervals": (
        logged(
            (710, 740, 1, {"heart_rate_bpm": lambda s: 60.0 + 60 * ticking(s)}),
            source={"measures": "heart_rate_bpm:rr"},
        ),
        {"heart_rate_bpm": 80.0, "heart_rate_n": 30},
    ),
    "heart rate": (
        logged((710, 740, 1, {"heart_rate_bpm": lambda s: 60.0 + 60 * ticking(s)})),
        {"heart_rate_bpm": 90.0, "heart_rate_sd_bpm": sqrt(30 * 30**2 / 29)},
    ),
    # answered a prompt 5 s after its stage: the load is still that of (725, 780], the age is real
    "past the end of its stage": (
        lambda t: [
            t.source(),
            two_stages(t),
            t.log(600, 780, watts=50.0),
            t.log(780, 900, watts=100.0),
            t.taken(785, 150, 80, due_seq=t.due(1, 720, 750, 780)),
        ],
        {"stage_index": 1, "watts": 50.0, "watts_n": 25, "watts_age_s": 5.0, "load_window_s": 25.0},
    ),
    "no stage": (
        lambda t: [t.source(), t.log(700, 760, watts=50.0), t.taken(740, 150, 80)],
        {"stage_index": None, "watts": None, "watts_n": None, "load_window_s": None},
    ),
}


def sources(*ranks):
    """Three logs of heart rate: each (rank, from, to, bpm)."""

    def happens(t):
        for name, (rank, *_) in zip("abc", ranks, strict=False):
            t.source(name, ranks="" if rank is None else f"heart_rate_bpm={rank}")
        two_stages(t)
        for name, (_, from_s, to_s, bpm) in zip("abc", ranks, strict=False):
            t.log(from_s, to_s, source=name, heart_rate_bpm=bpm)
        t.taken(740, 150, 80)

    return happens


WINDOWS |= {
    "the first by rank": (
        sources((2, 700, 780, 100.0), (1, 700, 780, 120.0)),
        {"heart_rate_bpm": 120.0, "heart_rate_source": "b", "heart_rate_n": 30},
    ),
    "the next where the first has nothing valid": (
        sources((2, 700, 780, 100.0), (1, 700, 780, 0.0)),
        {"heart_rate_bpm": 100.0, "heart_rate_source": "a"},
    ),
    "the first with a sample, though stale": (
        sources((2, 700, 780, 100.0), (1, 700, 720, 120.0)),
        {"heart_rate_bpm": None, "heart_rate_source": "b", "heart_rate_note": "stale"},
    ),
    "without a rank last": (
        sources((None, 700, 780, 100.0), (1, 700, 780, 120.0)),
        {"heart_rate_bpm": 120.0, "heart_rate_source": "b"},
    ),
}


@pytest.fixture(scope="module")
def windows(invented, derive):
    return derive(build(invented, WINDOWS))


@pytest.mark.parametrize("name", WINDOWS)
def test_load_and_heart_rate_of_the_window(windows, name):
    assert_holds(windows.last(name), WINDOWS[name][1])


def test_out_of_range_and_doubled_samples_are_kept_and_do_not_count(windows):
    rows = windows.rows("samples", "out of range", "seq")
    assert len(rows) == 30
    assert [row["watts_counts"] for row in rows] == [True] * 10 + [False] * 20
    doubled = windows.rows("samples", "one time twice counts once, the last", "seq")
    assert [row["watts_counts"] for row in doubled] == [False, False, True, True]


# ---- the rate at which the cuff fell ----------------------------------------------------------


def fell(at_s=740.0, k1=150, k5=80, pulse=None, entry_pulse=None, stage=two_stages, **fields):
    def happens(t):
        t.source()
        stage(t)
        if pulse:
            t.log(at_s - 40, at_s, heart_rate_bpm=float(pulse), watts=50.0)
        if entry_pulse:
            t.log(at_s, at_s + 40, heart_rate_bpm=float(entry_pulse), watts=90.0)
        if isinstance(fields.get("last_sound_at"), int | float):
            fields["last_sound_at"] = t.at(fields["last_sound_at"])
        t.taken(at_s, k1, k5, **fields)

    return happens


def rated(rate, source, **expected):
    return {"rate_mmhg_per_s": rate, "rate_source": source} | expected


RATES = {
    "default under load": (
        fell(),
        rated(2.5, "default", deflation_mmhg_per_s=2.5, deflation_mmhg_per_beat=3),
    ),
    "default at rest": (fell(at_s=500), rated(3.0, "default", deflation_per_s_source="default")),
    "default in recovery": (fell(at_s=1000), rated(2.5, "default")),
    "stated per second": (
        fell(pulse=120, deflation_mmhg_per_s=4.0, deflation_mmhg_per_beat=1.0),
        rated(4.0, "stated_per_second", deflation_mmhg_per_beat=1, deflation_per_beat_source="stated"),
    ),
    # 3 mmHg a beat at 120 bpm: 3 * 120/60 = 6 mmHg/s
    "stated per beat": (
        fell(pulse=120, deflation_mmhg_per_beat=3.0),
        rated(6.0, "stated_per_beat", deflation_per_s_source="default"),
    ),
    "stated per beat, no heart rate": (fell(deflation_mmhg_per_beat=3.0), rated(2.5, "default")),
    # untimed: the heart rate of the 30 s before the entry at 780, 140 bpm: 3 * 140/60 = 7
    "stated per beat, untimed": (
        fell(pulse=120, entry_pulse=140, deflation_mmhg_per_beat=3.0, measured_source="estimated"),
        rated(7.0, "stated_per_beat", heart_rate_bpm=120.0, watts=50.0),
    ),
    "stated per beat, timed": (
        fell(pulse=120, entry_pulse=140, deflation_mmhg_per_beat=3.0, measured_source="stated"),
        rated(6.0, "stated_per_beat"),
    ),
    # (150 - 80)/20 s = 3.5 mmHg/s; at 120 bpm 3.5 * 60/120 = 1.75 a beat
    "measured": (
        fell(pulse=120, last_sound_at=760, deflation_mmhg_per_s=2.0),
        rated(
            3.5,
            "measured",
            deflation_between_mmhg_per_s=3.5,
            deflation_mmhg_per_beat=1.75,
            deflation_per_beat_source="measured",
            deflation_mmhg_per_s=2.0,
            last_sound_source="marked",
        ),
    ),
    "measured, no heart rate": (
        fell(last_sound_at=760),
        rated(3.5, "measured", deflation_mmhg_per_beat=3, deflation_per_beat_source="default"),
    ),
    "last sound marked, first not": (
        fell(last_sound_at=760, measured_source="stated"),
        rated(2.5, "default", deflation_between_mmhg_per_s=None),
    ),
    "last sound before the first": (fell(last_sound_at=730), rated(2.5, "default")),
}


@pytest.fixture(scope="module")
def rates(invented, derive):
    return derive(build(invented, RATES))


@pytest.mark.parametrize("name", RATES)
def test_the_rate_is_measured_else_stated_else_the_default(rates, name):
    assert_holds(rates.last(name), RATES[name][1])


# ---- the parts of a reading in time -----------------------------------------------------------


def moments(dbp_s=None, last_s=None, released_s=None, pump_s=None):
    return {"dbp_s": dbp_s, "last_s": last_s, "released_s": released_s, "pump_s": pump_s}


# k1 150 at 740 s, 2.5 mmHg/s (3 at rest); a release takes 3 s; pumping 30 mmHg/s
MOMENTS = {
    # 70/2.5 = 28 s to 80; on to 40: 110/2.5 + 3 = 47; 180/30 + 30/2.5 = 18 s before
    "k5": (fell(inflated_to_mmhg=180.0), moments(768, 768, 787, 722)),
    "inflated below k1": (fell(inflated_to_mmhg=120.0), moments(768, 768, 787, 736)),
    "pump not noted": (fell(), moments(768, 768, 787)),
    # K4 70, sounds to 0: dbp 80/2.5 = 32; last and release 150/2.5 = 60
    "to zero": (fell(k5=0, k4_mmhg=70.0), moments(772, 800, 803)),
    "to 30": (fell(k5=30, k4_mmhg=70.0), moments(772, 788, 791)),
    "heard on at 45": (fell(k5=None, heard_to_mmhg=45.0), moments(None, 782, 787)),
    "k4 alone": (fell(k5=None, k4_mmhg=70.0), moments(772, 772, 787)),
    # nothing heard of the end: 70 where no prompt expects another
    "no end": (fell(k5=None), moments(None, 772, 787)),
    # at rest down to 30: 70/3 = 23.333 and 120/3 + 3 = 43
    "at rest": (fell(at_s=500), moments(500 + 70 / 3, 500 + 70 / 3, 543)),
    "last sound marked": (fell(last_sound_at=760), moments(760, 760, 740 + 110 / 3.5 + 3)),
    "no k1": (fell(k1=None), moments(None, None, 740)),
}


@pytest.fixture(scope="module")
def timed(invented, derive):
    return derive(build(invented, MOMENTS))


@pytest.mark.parametrize("name", MOMENTS)
def test_when_the_parts_of_a_reading_were(timed, invented, name):
    row = timed.last(name)
    anchor = invented().at(0).replace(tzinfo=None)
    columns = ("dbp_at", "last_sound_at", "released_at", "pump_started_at")
    given = [None if row[one] is None else (row[one] - anchor).total_seconds() for one in columns]
    assert given == pytest.approx(list(MOMENTS[name][1].values()), abs=1e-6)


def test_the_prompt_says_how_far_is_listened_and_which_diastolic_is_expected(invented, alone):
    test = invented()
    two_stages(test)
    due = test.due(1, 700, 740, 780, listen_to_mmhg=60.0, expected_dbp_mmhg=90.0)
    test.taken(740, 150, None, due_seq=due)
    row = alone(test).last("T")
    # (150 - 90)/2.5 = 24 s to the last sound, (150 - 60)/2.5 + 3 = 39 s to the release
    assert (row["last_sound_at"] - row["measured_at"]).total_seconds() == 24
    assert (row["released_at"] - row["measured_at"]).total_seconds() == 39
