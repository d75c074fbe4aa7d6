"""The rules and settings in force as `cuffwatt rules` prints them."""

from __future__ import annotations

import csv
import io
import json

import pytest
from typer.testing import CliRunner

from pipeline.cli import app
from pipeline.errors import UsageError
from pipeline.output import CAUTION
from pipeline.rule_list import RULE_COLUMNS, rule_list, setting_list, taken_out
from pipeline.rules import load_rules, named_set, shipped_rules

OWN = """
[settings]
k5_floor_mmhg = 30

[[rule]]
code = "systolic_high"
quantity = "k1"
threshold = 230
phase = ["exercise"]

[[rule]]
code = "systolic_below_rest"
level = "caution"

[[rule]]
code = "symptom"
quantity = "leg_pain"
level = "note"
threshold = 3
intent = "maximal"
age_min = 18
age_max = 60
words = "leg pain"
source = "this lab"

[[rule]]
code = "odd_digit"
enabled = false
"""


@pytest.fixture
def own(tmp_path):
    path = tmp_path / "lab.toml"
    path.write_text(OWN, encoding="utf-8")
    return path


def ran(*words, **environment):
    result = CliRunner().invoke(app, ["rules", *map(str, words)], env=environment)
    assert result.exit_code == 0, result.output
    return result


def of(rows, code, quantity):
    [row] = [row for row in rows if (row["code"], row["quantity"]) == (code, quantity)]
    return row


def test_every_shipped_rule_is_printed_once_in_the_order_of_the_file():
    rows = list(csv.DictReader(io.StringIO(ran().stdout)))
    assert [(row["code"], row["quantity"], row["variant"]) for row in rows] == [
        rule.key for rule in shipped_rules().rules
    ]
    row = of(rows, "too_soon", "pause")
    parts = {"level": "note", "operator": "<", "threshold": "30.0", "unit": "s", "intent": "", "differs": ""}
    assert {key: row[key] for key in parts} == parts
    assert row["phase"] == "warmup,exercise,recovery"
    assert row["source"].startswith("Penney")


def test_json_has_the_same_columns_and_nulls():
    rows = json.loads(ran("--format", "json").stdout)
    assert all(tuple(row) == RULE_COLUMNS for row in rows)
    assert len(rows) == len(shipped_rules().rules)
    assert of(rows, "odd_digit", "odd_values")["base_rate"] is None
    assert "1.45 % of women" in of(rows, "systolic_below_rest", "below_rest_twice")["base_rate"]


def test_the_caution_is_shown():
    assert CAUTION in " ".join(ran().stderr.split())
    assert CAUTION in " ".join(ran("--settings").stderr.split())


def test_what_a_lab_changed_is_named(own):
    rows = rule_list(load_rules(own))
    assert of(rows, "systolic_high", "k1")["differs"] == "threshold shipped: 250; phase shipped: none"
    assert of(rows, "systolic_below_rest", "below_rest_twice")["differs"] == "level shipped: stop"
    assert of(rows, "symptom", "leg_pain")["differs"] == "added"
    assert sum(row["differs"] is not None for row in rows) == 3
    assert taken_out(load_rules(own)) == [("odd_digit", "odd_values", "")]
    words = ran("--rules", own).stderr
    assert f"other than in the shipped set: 3 rules of {len(shipped_rules().rules)}" in words
    assert "taken out of the shipped set: odd_digit odd_values" in words


def test_nothing_differs_without_a_file():
    assert not any(row["differs"] for row in rule_list(shipped_rules()))
    assert not any(row["differs"] for row in setting_list(shipped_rules()))
    assert taken_out(shipped_rules()) == []


def test_the_settings_are_printed_with_their_remarks(own):
    rows = {row["setting"]: row for row in json.loads(ran("--settings", "--format", "json").stdout)}
    assert list(rows) == list(type(shipped_rules().settings).model_fields)
    assert rows["dbp_policy"]["value"] == "per_reading"
    assert rows["steady_bpm"] == {
        "setting": "steady_bpm",
        "value": "5",
        "remark": "within 5 bpm: Human Kinetics education centre, after the YMCA procedure",
        "differs": None,
    }
    result = ran("--settings", "--rules", own)
    changed = [row for row in csv.DictReader(io.StringIO(result.stdout)) if row["differs"]]
    assert [(row["setting"], row["value"], row["differs"]) for row in changed] == [
        ("k5_floor_mmhg", "30", "shipped: 40")
    ]
    assert "other than in the shipped set: 1 setting of" in result.stderr


@pytest.mark.parametrize("more", [[], ["--settings"]])
def test_a_table_fits_a_hundred_columns_and_cuts_no_word(own, more):
    text = ran("--format", "table", "--rules", own, *more, COLUMNS="100").stdout
    assert max(map(len, text.splitlines())) <= 100
    assert "…" not in text
    shown = " ".join(text.split())
    if more:
        assert "k5_floor_mmhg 30 below it sounds" in shown
        return
    for words in ("systolic_high", "k1 > 230 mmHg", "in exercise", "differs: added", "maximal"):
        assert words in shown
    assert "from 18 years on" in shown
    assert "under 60 years" in shown
    assert "how often: of one peak below rest, treadmill" in shown


# ---- named sets ------------------------------------------------------------------------------


def test_a_named_set_is_printed_whole(tmp_path):
    result = ran("--set", "maximal", "--format", "json")
    rows = json.loads(result.stdout)
    assert [(row["code"], row["quantity"], row["variant"]) for row in rows] == [
        rule.key for rule in named_set("maximal")
    ]
    assert all(tuple(row) == RULE_COLUMNS and row["set"] == "maximal" for row in rows)
    blocked = next(row for row in rows if row["variant"] == "beta_blocker")
    parts = {"operator": "<", "threshold": 0.62, "beta_blocker": True, "intent": "maximal", "differs": None}
    assert {key: blocked[key] for key in parts} == parts
    assert {row["recovery_mode"] for row in rows} == {"active", "passive", None}
    assert 'a set is off unless a rules file names it: sets = ["maximal"]' in result.stderr
    assert CAUTION in " ".join(result.stderr.split())


def test_a_named_set_as_a_table(tmp_path):
    text = ran("--set", "screening", "--format", "table", COLUMNS="100").stdout
    assert max(map(len, text.splitlines())) <= 100
    shown = " ".join(text.split())
    assert "9 rules in the set screening" in shown
    for words in ("peak_sbp >= 210 mmHg", "male", "variant male", "set screening", "(edition 2013)"):
        assert words in shown
    assert "how often: 51 % of healthy men" in shown
    text = ran("--set", "maximal", "--format", "table", COLUMNS="100").stdout
    assert "on beta-blockers" in text
    assert "passive recovery" in text


def test_sets_that_are_on_stand_among_the_rules(tmp_path):
    path = tmp_path / "lab.toml"
    path.write_text(
        'sets = ["screening"]\n[[rule]]\ncode = "resting_heart_rate_high"\nthreshold = 90\n'
        '[[rule]]\ncode = "exaggerated_response"\nvariant = "male"\nenabled = false\n'
        '[[rule]]\ncode = "diastolic_high"\nquantity = "k5"\npersistence = 2\n',
        encoding="utf-8",
    )
    result = ran("--rules", path, "--format", "json")
    rows = json.loads(result.stdout)
    assert len(rows) == len(shipped_rules().rules) + len(named_set("screening")) - 1
    sets = {row["code"]: row["set"] for row in rows}
    assert (sets["resting_class"], sets["systolic_high"]) == ("screening", "default")
    changed = {row["code"]: row["differs"] for row in rows if row["differs"]}
    assert changed == {
        "resting_heart_rate_high": "threshold shipped: 80",
        "diastolic_high": "persistence shipped: 1",
    }
    assert "taken out of the shipped set: exaggerated_response peak_sbp male" in result.stderr
    assert "named sets that are off: maximal, paediatric, research" in result.stderr
    assert "2 readings running" in ran("--rules", path, "--format", "table", COLUMNS="100").stdout


def test_what_a_lab_added_is_its_own(own):
    assert of(rule_list(load_rules(own)), "symptom", "leg_pain")["set"] == "own"


def test_a_set_that_is_not_there_or_with_a_file(own):
    for words, said in (
        (["--set", "strict"], "no set of rules is called 'strict'; there are maximal, paediatric, research"),
        (["--set", "maximal", "--rules", own], "--set prints a shipped set as it is; leave out --rules"),
        (["--set", "maximal", "--settings"], "--set prints a shipped set as it is; leave out --rules"),
    ):
        result = CliRunner().invoke(app, ["rules", *map(str, words)])
        assert isinstance(result.exception, UsageError)
        assert said in str(result.exception)


# ---- how often a condition is met -------------------------------------------------------------


def base_rate(tmp_path, more):
    path = tmp_path / "lab.toml"
    path.write_text(f'[[rule]]\ncode = "systolic_high"\nquantity = "k1"\n{more}\n', encoding="utf-8")
    return of(rule_list(load_rules(path)), "systolic_high", "k1")["base_rate"]


def test_a_base_rate_goes_with_the_condition_that_it_was_found_for(tmp_path):
    assert "1.5 % of men" in base_rate(tmp_path, 'level = "caution"')
    assert "1.5 % of men" in base_rate(tmp_path, "threshold = 250")
    for condition in ("threshold = 210", 'operator = ">="', 'phase = ["exercise"]', 'sex = "male"'):
        assert base_rate(tmp_path, condition) is None
    assert base_rate(tmp_path, 'threshold = 210\nsex = "male"\nbase_rate = "51 % of men"') == "51 % of men"
