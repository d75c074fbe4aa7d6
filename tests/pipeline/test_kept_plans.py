"""Relations that are emptied and filled again and again: right each time, and without a growing rest."""

from __future__ import annotations

import duckdb
import pytest

import pipeline.kept_plans
from pipeline.kept_plans import KeptPlans


def test_a_relation_is_what_its_select_gives_each_time() -> None:
    db = duckdb.connect(":memory:")
    db.execute("create table number (n bigint)")
    plans = KeptPlans(db)
    for n in range(4):
        db.execute("insert into number values ($n)", {"n": n})
        plans.fill("squares", "select n * n as square from number order by n", optimized=n == 2)
        found = plans.named("asked", "select square from squares order by square")
        assert found == [{"square": i * i} for i in range(n + 1)]
    plans.close()
    db.close()


@pytest.mark.parametrize("tidied", [False, True])
def test_what_emptied_relations_leave_behind_is_taken_away(
    tidied: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(pipeline.kept_plans, "_TIDY_FILLS", 20)
    db = duckdb.connect(":memory:")
    plans = KeptPlans(db)
    for _ in range(6):
        for _ in range(30):
            plans.fill("threes", "select unnest([1, 2, 3]) as n")
        if tidied:
            plans.tidy()
    [(stored,)] = db.execute(
        "select sum(count) from pragma_storage_info('threes') where segment_type = 'INTEGER'"
    ).fetchall()
    # 6 times 30 times 3 rows were written; what is left is at most of the last 30 fills and those before
    assert stored <= 2 * 90 if tidied else stored == 6 * 90
    assert db.execute("select n from threes order by n").fetchall() == [(1,), (2,), (3,)]
    plans.close()
    db.close()


def test_asof_joins_are_asked_again_and_again() -> None:
    db = duckdb.connect(":memory:", config={"threads": 1})
    db.execute("create table moment (k varchar, passed integer)")
    db.execute("create table stage (k varchar, begins integer)")
    db.execute("insert into stage values ('a', 0), ('a', 10)")
    db.execute("insert into moment select 'a', unnest(range(100))")
    plans = KeptPlans(db)
    select = (
        "select begins from moment"
        " asof left join stage on moment.k = stage.k and moment.passed >= stage.begins"
        " order by passed"
    )
    for _ in range(3):
        # kept, its plan fails the second time and takes the database with it
        assert plans.run("staged", select) == [(0,)] * 10 + [(10,)] * 90
        plans.fill("stages_of", select)
    plans.close()
    db.close()


def test_a_plan_is_made_anew_after_a_table_was_made() -> None:
    db = duckdb.connect(":memory:")
    db.execute("create table number (n bigint)")
    plans = KeptPlans(db)
    count = "select count(*) from number"
    assert plans.run("counted", count) == [(0,)]
    plans.fill("others", "select 1 as n")
    db.execute("insert into number values (1)")
    assert plans.run("counted", count) == [(1,)]
    plans.close()
    db.close()
