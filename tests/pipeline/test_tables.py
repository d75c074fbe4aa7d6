"""Events become rows: one by one or in bulk, with amendments laid over, and the same either way."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta, timezone
from pathlib import Path

import pytest

from pipeline import events as ev
from pipeline.amendments import overlaid
from pipeline.errors import CuffwattError
from pipeline.rules import shipped_rules
from pipeline.tables import Tables

RELATIONS = ("samples", "stage_loads", "measures", "flags", "summary")


@pytest.fixture
def tables():
    made = []

    def make(threads=1):
        made.append(Tables(shipped_rules(), threads))
        return made[-1]

    yield make
    for one in made:
        one.close()


def ride(make, closed=True, **opened):
    """A short test with everything in it: logs, prompts, second observer, symptom, amendments."""
    test = make(
        **{"limits": ev.Limits(sbp_mmhg=150.0, rpe=17.0), "age_years": 40.0, "mass_kg": 80.0} | opened
    )
    test.source()
    test.rest_and_loads(50, 100)
    test.log(700, 960, 4, watts=lambda s: 50.0 if s < 780 else 100.0, heart_rate_bpm=lambda s: 80 + s / 10)
    due = test.due(1, 720, 740, 780)
    first = test.taken(745, 150, 80, due_seq=due)
    test.taken(745, 152, 80, role="second", pair_seq=first)
    later = test.taken(940, 140, 78, clarity="clear")
    test.add(ev.SymptomNoted, 945, code="dizzy", severity=1)
    test.add(ev.ExertionRated, 950, rpe=17.0)
    test.amend(later, "k1_mmhg", 138.0)
    test.amend(test.missed(955), "void", True)
    test.amend(0, "mass_kg", 90.0)
    if closed:
        test.close(1100)
    return test


def one_by_one(tables, test):
    for event in test.events:
        tables.add(event)
    tables.set_end(test.at(test.end_s), len(test.events) - 1, closed=True)
    tables.run()
    return tables


def everything(tables, test_id="T"):
    return {
        name: tables.rows(f"select * from {name} where test_id = $test_id order by all", test_id=test_id)
        for name in RELATIONS
    }


def test_one_by_one_and_in_bulk_are_the_same(tables, invented):
    test = ride(invented)
    bulk = tables()
    bulk.load([test.journal("T")])
    bulk.run()
    assert everything(one_by_one(tables(), test)) == everything(bulk)
    assert len(everything(bulk)["measures"]) == 4


@pytest.mark.parametrize("threads", [1, 2])
def test_in_any_batch_with_any_threads(tables, invented, threads):
    tests = {f"T{n}": ride(invented, age_years=20.0 + n) for n in range(3)}
    together = tables(threads)
    together.load([test.journal(name) for name, test in tests.items()])
    together.run()
    for name, test in tests.items():
        apart = tables()
        apart.load([test.journal(name)])
        apart.run()
        assert everything(together, name) == everything(apart, name)


def test_samples_come_from_the_file_where_it_is_given(tables, invented):
    test = ride(invented)
    lines = [event.model_dump_json(exclude_none=True) for event in test.events]
    journal = replace(
        test.journal("T"),
        data="".join(f"{line}\n" for line in lines).encode(),
        events=[event for event in test.events if not isinstance(event, ev.Sample)],
        samples=65,
    )
    from_file = tables()
    from_file.load([journal])
    from_file.run()
    assert everything(from_file) == everything(one_by_one(tables(), test))


def test_a_run_sees_what_was_added_since(tables, invented):
    test = invented()
    test.rest_and_loads(50)
    live = one_by_one(tables(), test)
    assert live.rows("select * from measures") == []
    test.taken(700, 150, 80)
    live.add(test.events[-1])
    live.set_end(test.at(700), len(test.events) - 1)
    live.run()
    assert [row["sbp_mmhg"] for row in live.rows("select sbp_mmhg from measures")] == [150]


def test_times_are_utc_without_a_zone(tables, invented):
    test = invented()
    moment = test.at(60).astimezone(timezone(timedelta(hours=2)))
    live = tables()
    live.add(test.events[0])
    live.add(ev.NoteWritten(seq=1, event_time=moment, elapsed_s=1.0, source="x", text="kept nowhere"))
    live.add(ev.CuffChanged(seq=2, event_time=moment, elapsed_s=1.0, source="x", bladder_length_cm=24.0))
    live.set_end(moment, 2)
    [row] = live.rows("select event_time, as_of from cuff_changed, journal_end")
    assert row["event_time"] == row["as_of"] == test.at(60).replace(tzinfo=None)


def test_arrow_has_the_same_rows(tables, invented):
    live = one_by_one(tables(), ride(invented))
    assert live.arrow("select * from measures order by reading_id").to_pylist() == live.rows(
        "select * from measures order by reading_id"
    )


def test_a_failing_relation_is_named_and_nobody_is_blamed(tables, invented):
    live = one_by_one(tables(), ride(invented))
    live.rows("drop table reading_due")
    with pytest.raises(
        CuffwattError, match=r"(?s)relation readings failed .*; this is a fault of the program"
    ):
        live.run()


# ---- amendments -------------------------------------------------------------------------------


def test_the_limits_and_the_person_may_be_amended_in_a_live_test(tables, invented):
    live = one_by_one(tables(), ride(invented))
    assert {row["mass_kg"] for row in live.rows("select mass_kg from summary")} == {90}
    # the limits are there once, and still judged: k1 150 has reached 150
    assert len(live.rows("select * from test_limit")) == 2
    [flag] = live.rows("select observed from flags where code = 'protocol_limit' and quantity = 'sbp_mmhg'")
    assert flag["observed"] == 0


def test_what_an_amendment_was_laid_over_is_kept(tables, invented):
    for make in (one_by_one, lambda live, test: (live.load([test.journal("T")]), live.run(), live)[-1]):
        rows = make(tables(), ride(invented)).rows("select field, original, value from amended order by seq")
        assert rows == [
            {"field": "k1_mmhg", "original": "140.0", "value": "138.0"},
            {"field": "void", "original": "false", "value": "true"},
            {"field": "mass_kg", "original": "80.0", "value": "90.0"},
        ]


def amended(invented, field, value, target=None):
    test = invented()
    test.rest_and_loads(50)
    reading = test.taken(700, 150, 80)
    test.amend(reading if target is None else target, field, value)
    return test


WRONG = [
    ("k1_mmhg", "high", "k1_mmhg = 'high'"),
    ("k1_mmhg", -1.0, "k1_mmhg = -1"),
    ("pulse", 3.0, "pulse = 3: unknown key"),
]


@pytest.mark.parametrize(("field", "value", "problem"), WRONG)
def test_an_amendment_that_does_not_fit_is_named(tables, invented, field, value, problem):
    test = amended(invented, field, value)
    wanted = rf"an amendment of event 4 does not fit it \(reading_taken\.{problem}.*\); amend the field again"
    with pytest.raises(CuffwattError, match=wanted):
        one_by_one(tables(), test)
    with pytest.raises(CuffwattError, match=wanted):
        tables().load([test.journal("T")])


def test_a_later_amendment_that_fits_mends_it(tables, invented):
    test = amended(invented, "k1_mmhg", "high")
    test.amend(4, "k1_mmhg", 160.0)
    bulk = tables()
    bulk.load([test.journal("T")])
    bulk.run()
    assert bulk.rows("select sbp_mmhg from measures") == [{"sbp_mmhg": 160}]


def test_what_is_not_there_cannot_be_amended(tables, invented):
    test = amended(invented, "k1_mmhg", 160.0, target=99)
    with pytest.raises(CuffwattError, match="event 99 cannot be amended: it is a sample or not there; give"):
        one_by_one(tables(), test)


def test_events_without_amendments_pass_as_they_are(invented):
    events = ride(invented).events[:5]
    assert overlaid(events, Path("x")) == events
