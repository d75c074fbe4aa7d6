"""What a question may not do: each attack is refused or harmless, leaves no file and ends in words."""

from __future__ import annotations

import resource
import shutil
import socket
from pathlib import Path
from typing import Any

import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from pipeline.cohort.ask import Request, answer
from pipeline.cohort.limited import answer_limited
from pipeline.errors import CuffwattError, UsageError


@pytest.fixture(scope="module")
def root(small_archive: Path) -> Path:
    return small_archive


def sql(root: Path, select: str, **request: Any) -> list[dict[str, Any]]:
    return answer(Request(str(root), sql=select, **request)).table.to_pylist()


def files_below(folder: Path) -> dict[str, tuple[int, int]]:
    return {
        str(path): (path.stat().st_size, path.stat().st_mtime_ns)
        for path in folder.rglob("*")
        if path.is_file()
    }


@pytest.fixture
def outside(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """The folder in which a question runs, with files that it must not see."""
    pq.write_table(pa.table({"secret": ["seen"]}), tmp_path / "secret.parquet")
    (tmp_path / "secret.csv").write_text("secret\nseen\n")
    (tmp_path / "secret.json").write_text('{"secret": "seen"}\n')
    monkeypatch.chdir(tmp_path)
    return tmp_path


SECRET = "a table of this program that a question must not see"
table_of_this_program = pa.table({"secret": ["seen"]})
ATTACKS = {
    "copy": "copy (select 1) to 'OUT'",
    "copy_in_cte": "with c as (copy (select 1) to 'OUT') select 1",
    "copy_parquet_in_cte": "with c as (copy (select 1) to 'OUT' (format parquet)) select * from c",
    "copy_from": "copy summary from 'secret.csv'",
    "two_statements": "select 1; copy (select 1) to 'OUT'",
    "statement_after_remark": "select 1 /* ; */ ; -- \n attach 'OUT'",
    "attach": "attach 'OUT' as other",
    "attach_in_cte": "with c as (attach 'OUT') select 1",
    "export": "export database 'OUT'",
    "import": "import database 'OUT'",
    "create_table": "create table t as select 1",
    "create_function": "create macro readings() as table select 1",
    "drop": "drop view readings",
    "delete_in_cte": "with c as (delete from readings returning *) select * from c",
    "update": "update readings set sbp_mmhg = 0",
    "insert": "insert into summary select * from summary",
    "pragma": "pragma database_list",
    "pragma_sql": "pragma memory_limit = '100GB'",
    "set": "set enable_external_access = true",
    "set_memory": "set memory_limit = '100GB'",
    "set_temporary": "set temp_directory = 'OUT'",
    "reset": "reset lock_configuration",
    "set_config_function": "select set_config('memory_limit', '100GB', false)",
    "enable_logging": "select * from enable_logging(storage = 'file', storage_config = {'path': 'OUT'})",
    "call_logging": "call enable_logging(storage = 'file', storage_path = 'OUT')",
    "profiling": "select * from enable_profiling(save_location = 'OUT')",
    "checkpoint": "force checkpoint",
    "checkpoint_function": "select * from force_checkpoint()",
    "install": "install httpfs",
    "install_from": "install spatial from community",
    "load": "load httpfs",
    "load_path": "load 'OUT'",
    "secret": "create secret (type s3, key_id 'a', secret 'b')",
    "secrets": "select * from duckdb_secrets()",
    "read_csv": "select * from read_csv('secret.csv')",
    "read_csv_auto": "from 'secret.csv'",
    "read_parquet": "select * from read_parquet('secret.parquet')",
    "parquet_name": "select * from 'secret.parquet'",
    "parquet_metadata": "select * from parquet_metadata('secret.parquet')",
    "parquet_schema": "select * from parquet_schema('secret.parquet')",
    "read_json": "select * from read_json('secret.json')",
    "read_text": "select * from read_text('/etc/passwd')",
    "read_blob": "select * from read_blob('secret.csv')",
    "read_duckdb": "select * from read_duckdb('OUT')",
    "sniff": "select * from sniff_csv('secret.csv')",
    "glob": "select * from glob('*')",
    "glob_archive": "select * from glob('ARCHIVE/*/*/journal.jsonl')",
    "journal": "select * from read_json('ARCHIVE/study=S-0/test=T0/journal.jsonl')",
    "http": "select * from 'http://127.0.0.1:PORT/x.parquet'",
    "https": "select * from read_csv('https://127.0.0.1:PORT/x.csv')",
    "s3": "select * from read_parquet('s3://bucket/x.parquet')",
    "getenv": "select getenv('HOME')",
    "python_variable": "select * from table_of_this_program",
    "python_module": "select * from SECRET",
    "arrow_scan": "select * from arrow_scan(1, 1, 1)",
    "arrow_scan_null": "select * from arrow_scan(null, null, null)",
    "pandas_scan": "select * from pandas_scan(null)",
    "python_map": "select * from python_map_function(null, null)",
    "query_function": "from query('copy (select 1) to ''OUT''')",
    "query_read": "from query('from read_csv(''secret.csv'')')",
    "query_table": "from query_table(['secret.csv'])",
    "serialized": "from json_execute_serialized_sql(json_serialize_sql('from read_csv(''secret.csv'')'))",
    "prepare": "prepare p as copy (select 1) to 'OUT'",
    "execute": "execute p",
    "use": "use memory",
    "begin": "begin transaction",
    "vacuum": "vacuum",
    "dot_shell": ".shell touch OUT",
    "dot_open": ".open OUT",
    "dot_output": ".output OUT",
    "variable": "set variable x = (select content from read_text('secret.csv'))",
    "other_database": "select * from postgres_scan('host=127.0.0.1', 'public', 't')",
    "sqlite": "select * from sqlite_scan('OUT', 't')",
    "register": "select * from register_external_resource('OUT')",
    "explain": "explain analyze copy (select 1) to 'OUT'",
    "empty": "",
    "remark": "-- nothing",
    "no_sql": "what is the mean?",
    "parameter": "select $x",
}


@pytest.mark.parametrize("name", sorted(ATTACKS))
def test_an_attack_is_refused_in_words(root, outside, name):
    with socket.socket() as listening:
        listening.bind(("127.0.0.1", 0))
        listening.listen()
        listening.settimeout(0)
        text = ATTACKS[name].replace("PORT", str(listening.getsockname()[1]))
        text = text.replace("OUT", str(outside / "out")).replace("ARCHIVE", str(root).replace("'", "''"))
        before, archive = files_below(outside), files_below(root)
        with pytest.raises(UsageError) as refused:
            # an empty question is none; the command says so before it comes to SQL
            answer(Request(str(root), sql=text or " "))
        with pytest.raises(BlockingIOError):
            listening.accept()
    words = str(refused.value)
    assert "\n" not in words
    assert words.startswith(("one SELECT is wanted", "refused: ", "the SQL cannot be "))
    assert "seen" not in words
    assert files_below(outside) == before
    names = sorted(path.name for path in outside.iterdir())
    assert names == ["secret.csv", "secret.json", "secret.parquet"]
    assert files_below(root) == archive


def test_python_objects_of_the_asker_are_not_seen_and_the_attacks_would_work_elsewhere(outside):
    """What is refused above is possible in a connection that nobody locked."""
    import duckdb

    with duckdb.connect() as db:
        assert db.sql("select * from table_of_this_program").fetchall() == [("seen",)]
        assert db.sql("from 'secret.csv'").fetchall() == [("seen",)]
        db.sql("with c as (copy (select 1) to 'out') select 1").fetchall()
        assert (outside / "out").exists()


BOMBS = {
    "recursion": "with recursive r as (select 1 as n union all select n + 1 from r) select max(n) from r",
    "cross_join": "from range(90000000) a, range(90000000) b select count(*) where hash(a) > hash(b)",
    "long_range": "select max(hash(range)) from range(1000000000000)",
    "samples": "select count(*) from samples a, samples b, samples c, samples d where a.seq < d.seq",
}


@pytest.mark.parametrize("name", sorted(BOMBS))
def test_what_takes_too_long_is_broken_off(root, name):
    with pytest.raises(CuffwattError, match=r"took too long|needs more memory"):
        answer(Request(str(root), sql=BOMBS[name]), seconds=0.3)


MEMORY = {
    "list": "select list(range) from range(1000000000)",
    "text": "select length(repeat('x', 4000000000))",
    "strings": "select string_agg(repeat('x', 1000), '') from range(100000000)",
    "sort": "select * from range(2000000000) order by hash(range)",
    "distinct": "select count(distinct hash(range)) from range(2000000000)",
    "result": "select repeat('x', 100000) as x from range(1000000)",
}


@pytest.mark.parametrize("name", sorted(MEMORY))
def test_what_needs_too_much_memory_is_broken_off(root, outside, name):
    before = files_below(outside)
    with pytest.raises(CuffwattError, match=r"needs more memory|took too long|cannot be answered"):
        answer_limited(Request(str(root), sql=MEMORY[name]), seconds=20, address_mb=3_000)
    assert files_below(outside) == before


def test_the_process_of_a_question_cannot_write(root, outside):
    """Where something got past the lock, the limit of file sizes would still hold."""
    found = answer_limited(Request(str(root), sql="select count(*) as n from summary"))
    assert found.table.to_pylist() == [{"n": 3}]
    assert resource.getrlimit(resource.RLIMIT_FSIZE)[0] == resource.RLIM_INFINITY  # ours is as it was


def test_refusals_come_out_of_that_process_as_they_are(root):
    with pytest.raises(UsageError, match="refused: a question sees"):
        answer_limited(Request(str(root), sql="from read_text('/etc/passwd')"))
    with pytest.raises(UsageError, match="one SELECT is wanted, this is a statement COPY"):
        answer_limited(Request(str(root), sql="copy (select 1) to 'x'"))
    with pytest.raises(CuffwattError, match="took too long"):
        answer_limited(Request(str(root), sql=BOMBS["recursion"]), seconds=1)
    with pytest.raises(CuffwattError, match="no-archive: cannot be read"):
        answer_limited(Request("no-archive", sql="select 1"))


def test_a_process_that_dies_costs_the_answer_only(root, monkeypatch):
    monkeypatch.setattr("pipeline.cohort.limited._CODE", "import os; os.kill(os.getpid(), 11)")
    with pytest.raises(CuffwattError, match=r"broken off \(process ended with -11\)"):
        answer_limited(Request(str(root), sql="select 1"))


# ---- what is allowed --------------------------------------------------------------------------


def test_all_five_relations_are_there_without_knowing_of_folders(root):
    for name in ("summary", "stages", "readings", "samples", "flags"):
        files = list(root.glob(f"study=*/test=*/{name}.parquet"))
        rows = sum(pq.read_metadata(file).num_rows for file in files)
        assert sql(root, f"select count(*) as n from {name}") == [{"n": rows}]
        wanted = pq.read_schema(files[0]).names
        assert [row["column_name"] for row in sql(root, f"describe {name}")] == wanted


def test_columns_keep_their_meaning_and_times_are_utc(root):
    found = answer(Request(str(root), sql="select sbp_mmhg, 1 as mine, measured_at from readings limit 1"))
    sbp, mine, _ = found.columns
    assert (sbp.unit, mine.unit, mine.meaning) == ("mmHg", "", "")
    assert sbp.meaning.startswith("Systolic pressure")
    [row] = sql(root, "select current_setting('TimeZone') as zone")
    assert row["zone"] == "UTC"


def test_quotes_in_the_names_of_studies_and_in_conditions_stay_text(root):
    for study in ("S-0' or 1=1 --", "S-0'; drop view summary; --", '"S-0"', "S-0\\", "', 'S-0"):
        assert sql(root, "select count(*) as n from readings", studies=[study]) == [{"n": 0}]
    [row] = sql(root, "select count(*) as n, min(test_id) as t from summary", studies=["S-1"])
    assert (row["n"], row["t"]) == (1, "T1")


def test_only_is_one_condition_on_summary(root):
    count = "select count(distinct test_id) as n from samples"
    assert sql(root, count, only="test_id in ('T0', 'T2') -- a remark") == [{"n": 2}]
    assert sql(root, count, only="test_id <> 'T0'", studies=["S-0"]) == [{"n": 1}]
    for only in (
        "1=1); copy (select 1) to 'out' --",
        "sexx = 'female'",
        "(select count(*) from read_csv('secret.csv')) > 0",
        "sex =",
    ):
        with pytest.raises(UsageError, match=r"--only .*one condition on the columns of summary is wanted"):
            sql(root, count, only=only)


def test_links_out_of_the_archive_show_nothing(root, tmp_path, outside):
    copy = tmp_path / "archive"
    shutil.copytree(root, copy)
    folder = copy / "study=S-0" / "test=T0"
    for name in ("samples", "readings"):
        (folder / f"{name}.parquet").unlink()
        (folder / f"{name}.parquet").symlink_to(outside / "secret.parquet")
    (copy / "study=S-9").symlink_to(outside)
    found = answer(Request(str(copy), sql="select count(distinct test_id) as n from samples"))
    assert found.table.to_pylist() == [{"n": 2}]
    [words] = found.asked.passed_over
    assert words.startswith("S-0/T0 ")
    assert "cuffwatt seal" in words
