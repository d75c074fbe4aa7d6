"""What relations are made from, as read from their SQL."""

from __future__ import annotations

from typing import Any

from pipeline.ladder_inputs import AFTER_CLOSING, inputs, made_from, needed_live
from pipeline.rules import shipped_rules
from pipeline.shipped import test_ladder as ladder
from pipeline.tables import Tables


def test_inputs_are_the_relations_and_tables_that_a_select_names() -> None:
    # as its own first lines say
    assert inputs()["intervals"] == {"samples"}
    assert inputs()["heart_rate_limits"] == {"test_limit", "test_opened", "rest_values", "setting"}


def test_what_a_change_goes_into_is_found_at_any_distance() -> None:
    found = made_from({"reading_taken"})
    assert {"readings", "loads", "measures", "flags", "summary"} <= found
    assert not {"stages", "samples", "slope_norms"} & found
    # limits of heart rate depend on readings by way of rest alone
    assert "heart_rate_limits" in found
    assert "heart_rate_limits" not in made_from({"reading_taken"}, without=frozenset({"rest_values"}))


def test_what_is_empty_until_the_end_is_left_out_until_then(invented: Any) -> None:
    later = [name for name, select in ladder() if AFTER_CLOSING in select]
    assert "response_candidates" in later
    assert not set(later) & needed_live(frozenset({"flags"}))
    counts = []
    for closed in (False, True):
        test = invented()
        test.source()
        test.stage(0, "rest")
        test.taken(400, 150, 95)
        test.taken(460, 150, 95)
        test.stage(480, "exercise", 50.0)
        test.log(480, 600, watts=50.0, heart_rate_bpm=100.0)
        test.taken(570, 170, 90)
        tables = Tables(shipped_rules())
        for event in test.events:
            tables.add(event)
        tables.set_end(test.at(700), 1000, closed=closed)
        tables.run()
        counts.append([len(tables.rows(f"from {name}")) for name in later])
        tables.close()
    assert not any(counts[0])
    assert all(counts[1])
