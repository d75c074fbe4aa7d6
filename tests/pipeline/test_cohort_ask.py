"""Asking an archive: what is bad in it or in what is asked is named, and the rest of the answer is there."""

from __future__ import annotations

import csv
import io
import json
import shutil
from pathlib import Path
from typing import Any

import pyarrow.parquet as pq
import pytest
from typer.testing import CliRunner, Result

from pipeline.archive import Archive
from pipeline.cli import app
from pipeline.cohort.ask import Request, answer
from pipeline.cohort.question import find, questions, questions_table
from pipeline.errors import ArchiveError, CuffwattError, UsageError
from pipeline.executors import inline
from pipeline.output import CAUTION
from pipeline.seal_run import seal_archive

COUNT = "select count(*) as n, count(distinct test_id) as tests from readings"
QUESTION = """-- mine: how many tests there are.
-- reads: summary.
-- parameter least_years = 18 years: the age from which
-- somebody counts.
-- parameter sex = female of female, male: of whom.
-- example: least_years=40
-- column n, 1: Tests.
--
-- A remark with a $dollar.
select count(*) as n from summary where age_years >= $least_years and sex = $sex
"""


@pytest.fixture
def root(small_archive: Path, tmp_path: Path) -> Path:
    """An archive of three tests that may be spoilt."""
    copy = tmp_path / "archive"
    shutil.copytree(small_archive, copy)
    # copied files are others to the index
    assert all(one.problem is None for one in seal_archive(copy, list(Archive(copy).tests()), inline()))
    return copy


def ask(root: Path, *arguments: str) -> Result:
    return CliRunner().invoke(app, ["cohort", "ask", *arguments, "--archive", str(root)])


def spoil(path: Path, at: int, data: bytes) -> None:
    whole = bytearray(path.read_bytes())
    whole[at : at + len(data)] = data
    path.write_bytes(whole)


def counted(root: Path) -> tuple[dict[str, Any], list[str], str]:
    found = answer(Request(str(root), sql=COUNT))
    [row] = found.table.to_pylist()
    return row, found.asked.passed_over, found.asked.words


# ---- bad archives -----------------------------------------------------------------------------


def test_all_tests_are_asked_and_said(root):
    row, passed_over, words = counted(root)
    assert row["tests"] == 3
    assert passed_over == []
    assert words.startswith("3 tests: 3 gathered, 0 from ")


@pytest.mark.parametrize("name", ["readings", "summary", "samples"])
def test_a_corrupt_file_costs_its_own_test_only(root, name):
    path = root / "study=S-0" / "test=T0" / f"{name}.parquet"
    path.write_bytes(path.read_bytes()[:-20] + b"\0" * 20)
    row, passed_over, words = counted(root)
    assert row["tests"] == 2
    [why] = passed_over
    assert why.startswith("S-0/T0 unreadable: ")
    assert f"{name}.parquet" in why
    assert "cuffwatt seal" in why
    assert "1 passed over (1 unreadable)" in words


def test_a_journal_that_ends_in_damage_costs_its_own_test_only(root):
    path = root / "study=S-1" / "test=T1" / "journal.jsonl"
    spoil(path, path.stat().st_size - 40, b"#")
    with path.open("ab") as file:
        file.write(b"what is this\n")
    row, passed_over, _ = counted(root)
    assert row["tests"] == 2
    [why] = passed_over
    assert why.startswith("S-1/T1 ")
    assert "journal.jsonl" in why


def test_of_a_journal_damaged_in_its_middle_the_sealed_rows_stand_and_verify_names_the_line(root):
    """A question does not read journals: their heads say that the files were made from them."""
    whole = counted(root)[0]
    path = root / "study=S-1" / "test=T1" / "journal.jsonl"
    spoil(path, path.stat().st_size // 2, b"#")
    row, passed_over, words = counted(root)
    assert (row, passed_over) == (whole, [])
    assert "2 gathered, 1 from " in words
    verified = CliRunner().invoke(app, ["verify", str(root)])
    assert verified.exit_code == 1
    assert "line" in verified.output


def test_two_versions_of_the_schema_in_one_archive(root):
    folder = root / "study=S-0" / "test=T2"
    for path in folder.glob("*.parquet"):
        table = pq.read_table(path, partitioning=None)
        pq.write_table(table.replace_schema_metadata(table.schema.metadata | {b"schema_version": b"0"}), path)
    row, passed_over, _ = counted(root)
    assert row["tests"] == 2
    [why] = passed_over
    assert why.startswith("S-0/T2 other schema: ")
    assert "schema version 0" in why


def test_an_answer_that_misses_tests_ends_with_1_and_is_there(root):
    (root / "study=S-0" / "test=T0" / "readings.parquet").unlink()
    found = ask(root, "technique", "--format", "json")
    assert found.exit_code == 1
    assert {row["study"] for row in json.loads(found.stdout)} == {"S-0", "S-1"}
    assert "passed over: S-0/T0 unreadable: " in found.stderr
    assert CAUTION in found.stderr


def test_of_many_that_are_passed_over_a_few_are_shown(root):
    for number in range(7):
        shutil.copytree(root / "study=S-0" / "test=T0", root / "study=S-0" / f"test=copy-{number}")
    found = ask(root, "systolic_slope")
    assert found.exit_code == 1
    assert found.stderr.count("passed over: ") == 5
    assert "and 2 more" in found.stderr
    assert len(found.stdout.splitlines()) == 1 + 3


def test_an_empty_archive_has_an_empty_answer(tmp_path):
    for name in questions():
        found = ask(tmp_path, name)
        assert found.exit_code == 0, found.stderr
        assert "the archive has no test" in found.stderr
    assert answer(Request(str(tmp_path), sql=COUNT)).table.to_pylist() == [{"n": 0, "tests": 0}]


def test_no_archive(tmp_path):
    with pytest.raises(ArchiveError, match="nowhere: cannot be read"):
        answer(Request(str(tmp_path / "nowhere"), "technique"))


# ---- bad questions ----------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("name", "near"),
    [("sytolic_slope", "did you mean systolic_slope"), ("retest", "did you mean test_retest"),
     ("zzz", "there are falls_and_exaggerated, ")],
)  # fmt: skip
def test_a_question_that_is_not_there(name, near):
    with pytest.raises(UsageError, match=f"no question '{name}'; {near}"):
        find(name, questions())


@pytest.mark.parametrize(
    ("given", "words"),
    [
        ("watts=75", "systolic_at has no parameter 'watts'; it takes sbp_at_watts=100, "),
        ("sbp_at_watts", "a parameter is written NAME=VALUE; it takes sbp_at_watts=100"),
        ("sbp_at_watts=high", "sbp_at_watts=high: a number of W is wanted, like sbp_at_watts=100"),
        ("sbp_at_watts=nan", "sbp_at_watts=nan: a number of W is wanted"),
        ("sbp_at_watts=", "sbp_at_watts=: a number of W is wanted"),
        ("sbp_at_percent_reserve=1e999", "a number of % is wanted"),
    ],
)
def test_a_parameter_that_is_not_understood(given, words):
    with pytest.raises(UsageError) as wrong:
        questions()["systolic_at"].values([given])
    assert words in str(wrong.value)


def test_a_choice_and_no_parameters():
    with pytest.raises(UsageError, match="norm=mine: one of hedman_2021, automated_2025 is wanted"):
        questions()["systolic_slope"].values(["norm=mine"])
    with pytest.raises(UsageError, match="no parameter 'x'; recovery takes none"):
        questions()["recovery"].values(["x=1"])


def test_the_command_wants_one_question(root):
    for arguments in ((), ("technique", "--sql", "select 1")):
        found = ask(root, *arguments)
        assert found.exit_code != 0
        assert "one question is wanted" in str(found.exception)


# ---- a new question is one file ---------------------------------------------------------------


def test_a_file_in_the_folder_is_a_question(root, tmp_path):
    folder = tmp_path / "questions"
    folder.mkdir()
    (folder / "mine.sql").write_text(QUESTION, encoding="utf-8")
    mine = questions(folder)["mine"]
    assert mine.answers == "how many tests there are"
    assert [(p.name, p.default, p.unit, p.meaning) for p in mine.parameters] == [
        ("least_years", 18.0, "years", "the age from which somebody counts"),
        ("sex", "female", "", "of whom"),
    ]
    found = [
        answer(Request(str(root), "mine", (f"sex={sex}", f"least_years={least}")), folder=folder)
        for sex, least in (("female", 0), ("male", 0), ("male", 150))
    ]
    counts = [one.table.to_pylist()[0]["n"] for one in found]
    assert counts[0] + counts[1] == 3
    assert counts[2] == 0
    assert [(c.name, c.unit, c.meaning) for c in found[0].columns] == [("n", "1", "Tests.")]


@pytest.mark.parametrize(
    ("was", "becomes", "words"),
    [
        ("-- mine: how", "-- yours: how", "'-- mine: what it answers.' is wanted first"),
        ("-- reads: summary.", "-- reads: nothing.", "'-- reads: ' with one or more of samples, "),
        ("-- parameter sex = female of", "-- parameter sex female or", "'-- parameter sex female or"),
    ],
)
def test_a_file_that_does_not_begin_like_the_others(tmp_path, was, becomes, words):
    (tmp_path / "mine.sql").write_text(QUESTION.replace(was, becomes), encoding="utf-8")
    with pytest.raises(CuffwattError) as wrong:
        questions(tmp_path)
    assert words in str(wrong.value)
    assert "see how the other questions begin" in str(wrong.value)


def test_a_file_that_is_no_text(tmp_path):
    (tmp_path / "mine.sql").write_bytes(b"\xff\xfe")
    with pytest.raises(CuffwattError, match=r"mine\.sql: cannot be read .* in UTF-8"):
        questions(tmp_path)


# ---- what is shown ----------------------------------------------------------------------------


def test_the_list_has_every_question():
    found = CliRunner().invoke(app, ["cohort", "ask", "--list", "--format", "csv"])
    rows = list(csv.DictReader(io.StringIO(found.stdout)))
    assert [row["question"] for row in rows] == sorted(questions())
    assert all(row["answers"] and row["example"].startswith("cuffwatt cohort ask ") for row in rows)
    for name in questions():
        assert f"| `{name}` |" in questions_table()
    shown = CliRunner().invoke(app, ["cohort", "ask", "--list", "--format", "table"])
    assert "norm=hedman_2021" in shown.stdout


def test_the_list_of_one_question():
    found = CliRunner().invoke(app, ["cohort", "ask", "systolic_slope", "--list", "--format", "json"])
    rows = {row["name"]: row for row in json.loads(found.stdout)}
    assert rows["norm_mean_mmhg_per_w"]["unit"] == "mmHg/W"
    assert rows["norm=hedman_2021"]["what"] == "parameter"
    shown = CliRunner().invoke(app, ["cohort", "ask", "systolic_slope", "--list", "--format", "table"])
    assert "for example: cuffwatt cohort ask systolic_slope norm=automated_2025" in shown.stderr


@pytest.mark.parametrize("width", [60, 80, 200])
@pytest.mark.parametrize("name", sorted(questions()))
def test_no_number_is_cut_at_any_width(root, monkeypatch, name, width):
    monkeypatch.setenv("COLUMNS", str(width))
    found = ask(root, name, "--format", "table")
    assert found.exit_code == 0, found.output
    assert "…" not in found.stdout
    for one in answer(Request(str(root), name)).columns:
        assert f"{one.name}" in found.stderr  # with its meaning
    assert CAUTION in found.stderr
    assert "3 tests: 3 gathered" in found.stderr


def test_one_answer_in_four_forms(root, tmp_path):
    rows = answer(Request(str(root), "systolic_slope")).table.to_pylist()
    as_json = json.loads(ask(root, "systolic_slope", "--format", "json").stdout)
    assert as_json == rows
    as_csv = list(csv.DictReader(io.StringIO(ask(root, "systolic_slope").stdout)))
    assert [row["test_id"] for row in as_csv] == ["T0", "T2", "T1"]
    out = tmp_path / "answer.parquet"
    found = ask(root, "systolic_slope", "--out", str(out))
    assert found.exit_code == 0
    assert found.stdout == ""
    assert "3 rows in " in found.stderr
    table = pq.read_table(out)
    assert table.to_pylist() == rows
    assert table.schema.field("norm_mean_mmhg_per_w").metadata[b"unit"] == b"mmHg/W"
    assert table.schema.metadata[b"caution"].decode() == CAUTION
    wrong = ask(root, "systolic_slope", "--out", str(tmp_path / "answer.xlsx"))
    assert "a name that ends in .parquet is wanted" in str(wrong.exception)


KINDS = """select 1.50 as exact, 'inf'::double as endless, [1.5, null] as several,
    {'a': date '2026-03-14'} as named, timestamp '2026-03-14 09:30:00' as moment,
    interval 90 second as lasting, '\\x41'::blob as bytes,
    170141183460469231731687303715884105727::hugeint as large,
    true as yes, null as nothing, 1 as yes"""


@pytest.mark.parametrize("form", ["table", "csv", "json"])
def test_every_kind_of_value_can_be_shown(root, form):
    found = ask(root, "--sql", KINDS, "--format", form)
    assert found.exit_code == 0, found.output + repr(found.exception)
    if form == "json":
        [row] = json.loads(found.stdout)
        assert (row["exact"], row["endless"], row["several"]) == (1.5, "inf", [1.5, None])
        assert row["moment"].startswith("2026-03-14T09:30:00")


def test_a_kind_that_parquet_has_no_place_for_is_named(root, tmp_path):
    found = ask(root, "--sql", "select interval 1 month as a", "--out", str(tmp_path / "a.parquet"))
    assert "Parquet has no place for a column" in str(found.exception)
    assert list(tmp_path.glob("*.parquet")) == []


def test_damaged_gathered_tables_are_named_with_what_to_do(root):
    path = root / "gathered" / "readings.parquet"
    spoil(path, 200, b"#" * 2000)
    with pytest.raises(CuffwattError) as wrong:
        answer(Request(str(root), sql="select * from readings"))
    assert "gathered" in str(wrong.value)
    assert "cuffwatt seal" in str(wrong.value)


def test_choosing_by_study_and_condition(root):
    found = ask(root, "systolic_slope", "--study", "S-0", "--only", "test_id <> 'T2'", "--format", "json")
    assert [row["test_id"] for row in json.loads(found.stdout)] == ["T0"]
    assert "; 1 of them chosen" in found.stderr
    found = ask(root, "--sql", "select test_id from summary order by 1", "--study", "S-1", "--format", "json")
    assert json.loads(found.stdout) == [{"test_id": "T1"}]
