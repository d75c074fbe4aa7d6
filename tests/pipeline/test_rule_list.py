"""The rules and settings in force as `cuffwatt rules` prints them."""

from __future__ import annotations

import csv
import io
import json

import pytest
from typer.testing import CliRunner

from pipeline.cli import app
from pipeline.output import CAUTION
from pipeline.rule_list import RULE_COLUMNS, rule_list, setting_list, taken_out
from pipeline.rules import load_rules, shipped_rules

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
    assert [(row["code"], row["quantity"]) for row in rows] == [rule.key for rule in shipped_rules().rules]
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
    assert taken_out(load_rules(own)) == [("odd_digit", "odd_values")]
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
