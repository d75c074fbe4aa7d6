"""README.md against the program: its commands, its examples, its tables; and .ci/run against it."""

from __future__ import annotations

import re
from configparser import ConfigParser
from pathlib import Path

import pyarrow.parquet as pq
import pytest
import typer
from typer.testing import CliRunner

from adapters.csv_log import read_log
from adapters.live_sources import live_sources
from adapters.log_format import PLAIN, load_format
from adapters.reading_sheet import COLUMNS, read_sheet
from adapters.setup_file import load_setup
from pipeline import cli_join, readme
from pipeline.cli import app
from pipeline.errors import CuffwattError, UsageError
from pipeline.events import LineRejected, MissedReason, ReadingMissed, ReadingTaken, Sample
from pipeline.output import CAUTION
from pipeline.protocol import Limits
from pipeline.readme import BLOCKS, flags_table, made_anew, relations_table, sets_table
from pipeline.rules import load_rules, named_set, shipped_rules
from pipeline.shipped import rule_sets
from pipeline.shipped import test_ladder as ladder
from pipeline.simulate.cohort import invented_cohort

ROOT = Path(__file__).parents[1]
README = (ROOT / "README.md").read_text(encoding="utf-8")
DEVELOPERS = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
COLUMNS_BLOCK, FLAGS, SETS, RELATIONS, QUESTIONS = BLOCKS
WRITTEN = README.partition(FLAGS.begins)[0]  # what a person wrote
FENCED = re.findall(r"^```(\w*)\n(.*?)^```$", README, flags=re.MULTILINE | re.DOTALL)
EXAMPLES = {
    text.partition("\n")[0].removeprefix("# "): text for kind, text in FENCED if kind in ("toml", "csv")
}
INDENTED = [line.strip() for line in README.splitlines() if line.startswith("    ")]
COMMANDS = {
    f"{name} {under}".strip(): command
    for name, group in typer.main.get_command(app).commands.items()  # type: ignore[attr-defined]
    for under, command in getattr(group, "commands", {"": group}).items()
}


@pytest.fixture
def examples(tmp_path):
    """A folder with every file that the README shows."""
    for name, text in EXAMPLES.items():
        (tmp_path / name).write_text(text, encoding="utf-8")
    return tmp_path


def joined(folder: Path, archive: Path) -> Path:
    """Join the README's files; the folder of the test."""
    cli_join.join_setup(folder / "test.toml", archive, None)
    return archive / "study=river-lab" / "test=P-07-20260314-0930"


# ---- how it opens -----------------------------------------------------------------------------


def test_it_opens_with_the_job_in_one_paragraph():
    title, job, caution, *_ = README.split("\n\n")
    assert title == "# cuffwatt"
    assert "\n" not in job
    assert 40 <= len(job.split()) <= 150
    for word in ("blood pressure", "graded cycle test", "load", "heart rate", "stopping limits"):
        assert word in job
    assert caution == f"> {CAUTION}"


def test_two_commands_do_all_the_setting_up():
    commands = [line for line in INDENTED if line.startswith("python3 -m venv")]
    assert [command.rpartition("/")[2] for command in commands] == ["cuffwatt demo", "pytest"]
    assert README.index(commands[0]) < 2500  # before anything else is explained


def test_the_service_runs_a_command_that_there_is():
    unit = ConfigParser()
    unit.optionxform = str  # type: ignore[assignment,method-assign]  # systemd tells Case
    unit.read_string(next(text for kind, text in FENCED if kind == "ini"))
    program, command, setup, *options = unit["Service"]["ExecStart"].split()
    assert Path(program).name == "cuffwatt"
    assert Path(setup).suffix == ".toml"
    known = {option for one in COMMANDS[command].params for option in one.opts}
    assert set(options) <= known


def test_ci_runs_the_same_two_commands():
    script = (ROOT / ".ci" / "run").read_text(encoding="utf-8")
    for command in (line for line in INDENTED if line.startswith("python3 -m venv")):
        assert f"\n{command}\n" in script


# ---- the commands -----------------------------------------------------------------------------


@pytest.mark.parametrize("name", sorted(COMMANDS))
def test_every_command_has_help_and_a_line(name):
    command = COMMANDS[name]
    assert command.help
    for parameter in command.params:
        if parameter.name != "help":
            assert parameter.help, f"{name}: {parameter.name} has no help"
    assert re.search(rf"^\| `cuffwatt {name}\b", README, flags=re.MULTILINE)


def test_every_command_that_it_names_is_there():
    spans = re.findall(r"`([^`\n]+)`", WRITTEN)
    named = {match[1] for span in spans if (match := re.match(r"(?:\.venv/bin/)?cuffwatt ([a-z]+)", span))}
    assert "join" in named
    assert named - {name.split()[0] for name in COMMANDS} == set()


def test_every_option_that_it_names_is_there():
    known = {name for command in COMMANDS.values() for p in command.params for name in (*p.opts, "--help")}
    assert set(re.findall(r"`(--[a-z]+(?:-[a-z]+)*)", WRITTEN)) <= known


def test_the_exit_codes_are_those_of_the_program():
    assert f"| {CuffwattError.exit_code} | something is wrong with the data" in README
    assert f"| {UsageError.exit_code} | the command was used wrongly" in README
    assert CliRunner().invoke(app, ["join"]).exit_code == UsageError.exit_code


# ---- the examples -----------------------------------------------------------------------------


def test_every_fence_says_what_it_is():
    assert {kind for kind, _ in FENCED} == {"toml", "csv", "python", "ini", "text"}
    assert len(EXAMPLES) == sum(kind in ("toml", "csv") for kind, _ in FENCED)


def test_every_example_is_read_whole(examples):
    read = set()
    setup = load_setup(examples / "test.toml")
    read |= {"test.toml", "protocol.toml"}
    assert setup.protocol is not None
    assert [stage.label for stage in setup.protocol.stages][:3] == ["rest on the ergometer", "0 W", "25 W"]
    rules = load_rules(setup.rules_file)
    read.add("rules.toml")
    assert rules.settings.map_method == "two_fifths"
    assert "odd_digit" not in {rule.code for rule in rules.rules}
    assert {rule.threshold for rule in rules.rules if rule.key == ("systolic_high", "k1", "")} == {230}
    assert rules.sets == ("screening", "maximal")
    for name, source in setup.sources.items():
        read.add(source.path.name)
        if source.kind == "sheet":
            log = read_sheet(source.path, name=name, started=setup.test.started, time_means=source.time_means)
            assert sum(isinstance(event, ReadingTaken | ReadingMissed) for event in log.events) == 5
        else:
            form = load_format(source.format) if source.format else PLAIN
            read |= {source.format.name} if source.format else set()
            log = read_log(source.path, form, name=name, started=setup.test.started)
            assert sum(isinstance(event, Sample) for event in log.events) == 4
        assert not [event for event in log.events if isinstance(event, LineRejected)]
    assert [source.name for source in live_sources(load_setup(examples / "live.toml"))] == ["bike"]
    read.add("live.toml")
    assert read == set(EXAMPLES)


def test_the_examples_join_and_say_what_the_readme_says(examples, tmp_path):
    folder = joined(examples, tmp_path / "archive")
    shown = README.partition("## What comes out\n\n")[2].partition("\n\n")[0]
    names = set(re.findall(r"\b(\w+\.(?:parquet|toml|jsonl))\b", shown))
    assert {path.name for path in folder.iterdir()} == names
    assert f"study=river-lab/{folder.name}/" in shown
    rows = pq.read_table(folder / "readings.parquet").to_pylist()
    taken = [(row["sbp_mmhg"], row["k1_at_least"]) for row in rows if row["status"] == "taken"]
    assert taken == [(122, False), (120, False), (138, False), (160, True)]
    # in the 30 s up to 09:44:20 lie 153 kgm/min * 9.80665 / 60 = 25.007 W, logged at 09:44:22.5 by a
    # clock that is 12.5 s ahead, and a heart rate of 93
    at_25_w = next(row for row in rows if row["sbp_mmhg"] == 138)
    assert at_25_w["watts"] == pytest.approx(25.00696, abs=1e-4)
    assert (at_25_w["watts_age_s"], at_25_w["heart_rate_bpm"]) == (10, 93)
    assert (at_25_w["dbp_mmhg"], at_25_w["dbp_phase"]) == (72, "K4")  # sounds were still there at 40
    assert "not_heard" in {row["missed_reason"] for row in rows}
    assert {row["phase"] for row in rows if row["sbp_mmhg"] in (122, 120)} == {"rest"}


def test_what_is_written_twice_is_refused(examples, tmp_path):
    joined(examples, tmp_path / "archive")
    with pytest.raises(CuffwattError, match="never overwritten"):
        joined(examples, tmp_path / "archive")


@pytest.mark.parametrize("text", [text for kind, text in FENCED if kind == "python"])
def test_the_archive_is_read_in_three_lines(text, examples, tmp_path, monkeypatch, capsys):
    joined(examples, tmp_path / "cuffwatt-archive")
    monkeypatch.chdir(tmp_path)
    assert sum(bool(line) for line in text.splitlines()) == 3
    exec(text, {})
    shown = capsys.readouterr().out
    assert "P-07-20260314-0930" in shown
    assert "138" in shown
    assert "160" not in shown  # a lower bound is not used


def test_the_sheet_is_told_whole():
    section = README.partition("### Reading sheet")[2].partition("### Rules file")[0]
    told = {word for words in re.findall(r"`([^`\n]+)`", section) for word in re.split(r"\W+", words)}
    assert set(COLUMNS) - told == set()
    # a reading that nobody entered has no row
    assert set(MissedReason.__args__) - told == {"not_entered"}


def test_the_limits_of_the_example_are_known():
    assert {"sbp_mmhg", "rpe"} <= set(Limits.model_fields)


def test_the_truth_of_a_cohort_is_told_whole():
    section = README.partition("### An invented cohort")[2].partition("\n### ")[0]
    cells = [line.split(" | ")[0] for line in section.splitlines() if line.startswith("| `")]
    told = [name for cell in cells for name in re.findall(r"`(\w+)`", cell)]
    assert sorted(told) == sorted(invented_cohort(1).visit(0).truth())


# ---- the tables that are made -----------------------------------------------------------------


@pytest.mark.parametrize(("name", "text"), [("README.md", README), ("DEVELOPERS.md", DEVELOPERS)])
def test_the_tables_are_up_to_date(name, text):
    if made_anew(text) != text:
        pytest.fail(
            f"the tables in {name} are not those of sql/ and pipeline/rules.toml; "
            "make them anew: python -m pipeline.readme README.md DEVELOPERS.md"
        )


def test_every_table_has_its_document():
    assert all(block.begins in README for block in (COLUMNS_BLOCK, FLAGS, SETS, QUESTIONS))
    assert RELATIONS.begins in DEVELOPERS


def test_the_command_makes_the_tables_and_leaves_the_rest(tmp_path):
    paths = [tmp_path / "README.md", tmp_path / "DEVELOPERS.md"]
    for path, text in zip(paths, (README, DEVELOPERS), strict=True):
        old = re.sub(r"^\| `(?:systolic_fall|sbp_mmhg|30_loads)`.*\n", "", text, flags=re.MULTILINE)
        assert old != text
        path.write_text(old, encoding="utf-8")
    readme.main([str(path) for path in paths])
    assert [path.read_text(encoding="utf-8") for path in paths] == [made_anew(README), made_anew(DEVELOPERS)]


def test_a_row_says_code_level_condition_and_source():
    rows = flags_table().splitlines()[2:]
    assert len(rows) == len(shipped_rules().rules)
    for row, rule in zip(rows, shipped_rules().rules, strict=True):
        code, level, when, source = row.strip("| ").split(" | ")
        assert (code, level, source) == (f"`{rule.code}`", rule.level, rule.source)
        assert when.startswith(rule.words)
        if rule.quantity != "presence":
            assert f"`{rule.quantity}` {rule.operator} {rule.threshold:g}" in when
    # by hand from rules.toml
    assert "(`pause_at_rest` < 60 s, in rest)" in next(row for row in rows if "pause_at_rest" in row)


def test_a_row_of_a_set_says_whom_it_is_for_and_how_often():
    rows = sets_table().splitlines()[2:]
    assert len(rows) == sum(len(named_set(name)) for name in rule_sets())
    [men] = [row for row in rows if "variant `male`" in row]
    assert men.startswith("| `screening` | `exaggerated_response` | note |")
    assert "(`peak_sbp` >= 210 mmHg, male, from 18 years on, variant `male`)" in men
    assert "(edition 2013) | 51 % of healthy men" in men


def test_every_relation_has_a_row_in_order():
    names = re.findall(r"^\| `[0-9]+_(\w+)` \| [^|]+ \| [^|]+ \|$", relations_table(), flags=re.MULTILINE)
    assert names == [name for name, _ in ladder()]


def test_a_relation_without_its_remarks_is_named(tmp_path, monkeypatch):
    (tmp_path / "test").mkdir()
    (tmp_path / "test" / "10_stages.sql").write_text("select 1", encoding="utf-8")
    monkeypatch.setattr(readme, "shipped", lambda _: tmp_path)
    with pytest.raises(CuffwattError, match=r"10_stages\.sql: its first remarks are wanted"):
        relations_table()


@pytest.mark.parametrize("block", BLOCKS, ids=["columns", "flags", "sets", "relations", "questions"])
def test_a_block_replaces_only_itself(block):
    made = made_anew(f"# Title\n\n{block.begins}\nold\n{block.ends}\n\nafter\n")
    assert made == f"# Title\n\n{block.begins}\n\n{block.make()}\n\n{block.ends}\n\nafter\n"
    assert made_anew(made) == made


@pytest.mark.parametrize("marks", ["{0}", "{1}", "{1}\n{0}", "{0}\n{1}\n{0}", "{0}\n{1}\n{0}\n{1}"])
@pytest.mark.parametrize("block", BLOCKS, ids=["columns", "flags", "sets", "relations", "questions"])
def test_a_document_with_half_the_marks_is_refused(block, marks):
    with pytest.raises(CuffwattError, match="write both where the table belongs"):
        made_anew("# Title\n" + marks.format(block.begins, block.ends))


def test_a_document_is_wanted():
    with pytest.raises(UsageError, match="no document is named"):
        readme.main([])


def test_a_document_that_is_not_there_is_named(tmp_path):
    with pytest.raises(UsageError, match=r"none\.md: cannot be made anew"):
        readme.main([str(tmp_path / "none.md")])


# ---- both documents ----------------------------------------------------------------------------


@pytest.mark.parametrize("text", [README, DEVELOPERS], ids=["README", "DEVELOPERS"])
def test_files_that_are_named_exist(text):
    places = re.findall(r"`((?:pipeline|adapters|sql|fixtures|tests|\.ci)(?:/[\w.-]+)*/?)`", text)
    assert places
    assert [place for place in places if not (ROOT / place).exists()] == []
