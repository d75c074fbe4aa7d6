"""The rules in force: the default set, a lab's own file over it, and what is wrong with one."""

from __future__ import annotations

import tomllib
from dataclasses import replace

import pytest

from pipeline import events as ev
from pipeline.errors import InputError
from pipeline.rule import LEVELS
from pipeline.rules import load_rules, rule_rows, setting_row, shipped_rules
from pipeline.shipped import default_rules

K1 = '[[rule]]\ncode = "systolic_high"\nquantity = "k1"\n'
REST_OF_A_RULE = 'threshold = 10\nlevel = "note"\nwords = "see"\nsource = "this lab"'


@pytest.fixture
def own(tmp_path):
    def write(text):
        path = tmp_path / "lab.toml"
        path.write_text(text, encoding="utf-8")
        return path

    return write


def rule(rules, code, quantity="presence", variant=""):
    found = [one for one in rules.rules if one.key == (code, quantity, variant)]
    return found[0] if found else None


# ---- the default set --------------------------------------------------------------------------

# code, quantity, level, operator, threshold as definitions.md writes them, section 8
WRITTEN = [
    ("resting_pressure_high", "mean_sbp", "stop", ">", 200),
    ("resting_pressure_high", "mean_dbp", "stop", ">", 110),
    ("resting_pressure_high", "lower_bounds", "stop", ">=", 200),
    ("systolic_high", "k1", "stop", ">", 250),
    ("systolic_high", "lower_bound", "stop", ">=", 250),
    ("diastolic_high", "k5", "stop", ">", 115),
    ("diastolic_high", "k4", "caution", ">", 115),
    ("systolic_fall", "fall", "caution", ">=", 10),
    ("systolic_fall_confirmed", "repeated_fall", "stop", ">=", 10),
    ("systolic_fall_confirmed", "clear_fall", "stop", ">=", 20),
    ("systolic_fall_confirmed", "fall_with_symptom", "stop", ">=", 10),
    ("systolic_below_rest", "below_rest_twice", "stop", ">", 0),
    ("symptom", "chest_pain", "caution", ">=", 2),
    ("symptom", "dizzy", "caution", ">=", 1),
    ("symptom", "faint", "caution", ">=", 1),
    ("symptom", "pale_or_cold", "caution", ">=", 1),
    ("symptom", "sign", "caution", ">=", 1),
    ("pressure_unwatched", "running_missed", "caution", ">=", 2),
    ("pressure_unwatched", "unused", "caution", ">", 360),
    ("systolic_above_cuff", "presence", "caution", ">=", 1),
    ("limit_expected", "expected_sbp", "check", ">", 250),
    ("heart_rate_not_rising", "rise", "caution", "<", 2),
    ("recovery_low", "below_rest", "caution", ">", 20),
    ("implausible_pair", "pulse_pressure", "check", "<", 10),
    ("implausible_pair", "pulse_pressure_wide", "check", ">", 150),
    ("implausible_pair", "k1", "check", ">", 300),
    ("implausible_pair", "k1_low", "check", "<", 50),
    ("implausible_pair", "dbp", "check", ">", 150),
    ("heart_rate_gap", "seconds", "check", ">", 15),
    ("load_gap", "seconds", "check", ">", 15),
    ("load_off_target", "watts", "check", ">", 10),
    ("stage_differs_from_protocol", "watts", "check", ">", 10),
    ("stage_differs_from_protocol", "length", "check", ">", 10),
    ("few_loads", "stages", "check", "<", 3),
    ("rest_single", "readings", "check", "<", 2),
    ("bladder_length", "percent", "check", "<", 80),
    ("bladder_length", "percent_long", "check", ">", 100),
    ("bladder_width", "percent", "check", "<", 40),
    ("inflation_low", "margin", "check", "<", 20),
    ("inflation_low", "margin_small", "caution", "<", 10),
    ("arm_off_level", "distance", "check", ">=", 5),
    ("rest_short", "rest_before", "check", "<", 300),
    ("observers_apart", "difference", "check", ">", 4),
    ("repeats_apart", "difference", "note", ">", 5),
    ("too_soon", "pause_at_rest", "note", "<", 60),
    ("too_soon", "pause", "note", "<", 30),
]


@pytest.mark.parametrize(("code", "quantity", "level", "operator", "threshold"), WRITTEN)
def test_the_default_set_is_as_defined(code, quantity, level, operator, threshold):
    found = rule(shipped_rules(), code, quantity)
    assert (found.level, found.operator, found.threshold) == (level, operator, threshold)


def test_every_rule_has_words_and_a_source_and_stands_once():
    written = tomllib.loads(default_rules().read_text(encoding="utf-8"))["rule"]
    keys = [(one["code"], one.get("quantity", "presence")) for one in written]
    assert len(keys) == len(set(keys)) == len(shipped_rules().rules)
    assert all(one.level in LEVELS and one.words and one.source for one in shipped_rules().rules)


def test_the_shipped_set_is_read_once_and_has_a_digest():
    assert shipped_rules() is shipped_rules()
    assert shipped_rules().digest == load_rules(None).digest
    assert len(shipped_rules().digest) == 16


def test_the_rows_for_sql_keep_the_order_of_the_file():
    rows = rule_rows(shipped_rules())
    assert [row["position"] for row in rows] == list(range(len(rows)))
    first = rows[0]
    assert (first["code"], first["phase"]) == ("resting_pressure_high", "rest")
    assert first["rule_source"].startswith("ACSM")
    assert {row["phase"] for row in rows if row["code"] == "too_soon"} == {"rest", "warmup,exercise,recovery"}
    assert setting_row(shipped_rules())["k5_floor_mmhg"] == 40


# ---- a lab's own file -------------------------------------------------------------------------


def test_an_empty_file_changes_nothing(own):
    assert load_rules(own("")) == shipped_rules()


def test_a_setting_is_replaced_and_the_others_stay(own):
    rules = load_rules(own("[settings]\nk5_floor_mmhg = 30\n"))
    assert rules.settings == shipped_rules().settings.model_copy(update={"k5_floor_mmhg": 30})
    assert rules.rules == shipped_rules().rules
    assert rules.digest != shipped_rules().digest


def test_a_rule_is_changed_in_what_is_written(own):
    rules = load_rules(own(K1 + 'threshold = 240\noperator = ">="\nphase = ["exercise"]\n'))
    changed, before = (rule(one, "systolic_high", "k1") for one in (rules, shipped_rules()))
    written = {"threshold": 240.0, "operator": ">=", "phase": ("exercise",), "base_rate": None}
    assert changed == before.model_copy(update=written)
    assert len(rules.rules) == len(shipped_rules().rules)


def test_a_rule_of_one_quantity_need_not_name_it(own):
    rules = load_rules(own('[[rule]]\ncode = "rest_short"\nthreshold = 240\nunit = "s"\n'))
    assert rule(rules, "rest_short", "rest_before").threshold == 240


def test_a_rule_is_taken_out(own, derive, invented):
    rules = load_rules(own(K1 + "enabled = false\n"))
    assert rule(rules, "systolic_high", "k1") is None
    assert rule(rules, "systolic_high", "lower_bound") is not None
    assert rules.digest != shipped_rules().digest
    assert derive({"T": loaded(invented, 251)}, rules).flags("T", "systolic_high") == []


def test_another_quantity_of_a_code_is_added(own, derive, invented):
    text = '[[rule]]\ncode = "symptom"\nquantity = "leg_pain"\nthreshold = 3\nlevel = "caution"\n'
    rules = load_rules(own(text + 'words = "leg pain"\nsource = "this lab"\n'))
    assert len(rules.rules) == len(shipped_rules().rules) + 1
    test = loaded(invented, 140)
    test.add(ev.SymptomNoted, 750, code="leg_pain", severity=3)
    [flag] = derive({"T": test}, rules).flags("T", "symptom")
    assert (flag["observed"], flag["rule_source"]) == (3, "this lab")


def test_a_variant_stands_in_place_of_the_rule_for_all(own, derive, invented):
    text = f'variant = "women"\nsex = "female"\n{REST_OF_A_RULE}'.replace("= 10", "= 230")
    rules = load_rules(own(K1 + text))
    assert rule(rules, "systolic_high", "k1") == rule(shipped_rules(), "systolic_high", "k1")
    assert rule(rules, "systolic_high", "k1", "women").unit == "mmHg"
    cases = {
        "woman at 231": loaded(invented, 231, sex="female"),
        "woman at 251": loaded(invented, 251, sex="female"),
        "man at 231": loaded(invented, 231, sex="male"),
        "man at 251": loaded(invented, 251, sex="male"),
        "not known at 251": loaded(invented, 251),
    }
    derived = derive(cases, rules)
    assert {name: [one["level"] for one in derived.flags(name, "systolic_high")] for name in cases} == {
        "woman at 231": ["note"],
        "woman at 251": ["note"],
        "man at 231": [],
        "man at 251": ["stop"],
        "not known at 251": ["stop"],
    }


def loaded(invented, k1, at_s=740.0, **opened):
    test = invented(**opened)
    test.rest_and_loads(50)
    test.taken(at_s, k1, 80)
    return test


# ---- what is wrong with a file ----------------------------------------------------------------

WRONG = [
    ("[[", "not valid TOML (.*); mend that line"),
    ("limits = 1", "unknown key 'limits'; a rules file has sets = [], [settings] and [[rule]]"),
    ("settings = 3", "settings must be written as [settings], one table"),
    ('[rule]\ncode = "systolic_high"', "rule must be written as [[rule]], one table each"),
    ("rule = [1]", "rule must be written as [[rule]], one table each"),
    ("[settings]\nfloor = 30", "settings: floor = 30: unknown key"),
    ('[settings]\nk5_floor_mmhg = "30"', "settings: k5_floor_mmhg = '30': should be a valid number"),
    ("[settings]\nload_window_s = 0", "settings: load_window_s = 0: should be greater than 0"),
    ("[settings]\nstale_max_s = inf", "settings: stale_max_s = inf: should be a finite number"),
    ('[settings]\nfall_confirm = "never"', "fall_confirm = 'never': should be 'next_reading' or 'none'"),
    ('[[rule]]\nlevel = "stop"', "rule 1: code is missing; write which rule is meant"),
    ('[[rule]]\ncode = "sbp"', "rule 1: unknown code 'sbp'; known are arm_changed, "),
    (K1 + K1.replace("k1", "k7"), "rule 2: systolic_high has no quantity 'k7'; it has k1, lower_bound"),
    (K1.replace("k1", "odd_values"), "systolic_high has no quantity 'odd_values'; it has k1, lower_bound"),
    (
        '[[rule]]\ncode = "systolic_high"\nthreshold = 240',
        "systolic_high has several quantities; say which: k1, lower_bound",
    ),
    (
        K1 + 'unit = "kPa"\nthreshold = 33',
        "systolic_high is judged in mmHg, not in 'kPa'; convert the threshold and write that unit",
    ),
    (
        '[[rule]]\ncode = "arm_changed"\nunit = "mmHg"',
        "arm_changed is judged in plain numbers, not in 'mmHg'; convert",
    ),
    (K1 + 'operator = "!="', "rule 'systolic_high': operator = '!=': should be '>', '>=', '<' or '<='"),
    (K1 + 'threshold = "240"', "rule 'systolic_high': threshold = '240': should be a valid number"),
    (K1 + "threshold = true", "rule 'systolic_high': threshold = True: should be a valid number"),
    (K1 + "threshold = nan", "rule 'systolic_high': threshold = nan: should be a finite number"),
    (K1 + 'level = "red"', "level = 'red': should be 'stop', 'caution', 'check' or 'note'"),
    (K1 + 'phase = ["ride"]', "'ride': should be 'rest', 'warmup', 'exercise' or 'recovery'"),
    (K1 + "limit = 240", "rule 'systolic_high': limit = 240: unknown key"),
    (
        '[[rule]]\ncode = "symptom"\nquantity = "nausea"\nthreshold = 3',
        "rule 'symptom': level is missing; write it",
    ),
    # named sets
    ('sets = ["strict"]', "sets: unknown set 'strict'; there are maximal, paediatric, research, screening"),
    ('sets = "maximal"', 'sets must be a list of names, like sets = ["screening"]'),
    ("sets = [1]", 'sets must be a list of names, like sets = ["screening"]'),
    (
        'sets = ["maximal"]\n[[rule]]\ncode = "resting_class"\nquantity = "sbp_esc"',
        "rule 1: resting_class is a rule of the set 'screening', which is not on; "
        "write sets = ['maximal', 'screening'] at the top",
    ),
    (
        'sets = ["screening"]\n[[rule]]\ncode = "exaggerated_response"\nthreshold = 220',
        "rule 1: exaggerated_response has several variants; say which: female, male",
    ),
    (
        'sets = ["maximal"]\n[[rule]]\ncode = "hr_recovery_slow"\nvariant = "active"\nunit = "%"',
        "hr_recovery_slow is judged in bpm, not in '%'; convert the threshold and write that unit",
    ),
    # a unit is that of the quantity, in whichever set it stands
    (
        'sets = ["maximal"]\n[[rule]]\ncode = "hr_recovery_slow"\nquantity = "fall_2min"\nunit = "%"',
        "hr_recovery_slow is judged in bpm, not in '%'; convert the threshold and write that unit",
    ),
    (K1 + 'variant = "tall"\nsex = "male"', "rule 'systolic_high': level is missing; write it"),
    # conditions that are wrong, or that this rule cannot have
    (K1 + "persistence = 0", "rule 'systolic_high': persistence = 0: should be greater than or equal to 1"),
    (K1 + "persistence = 1.5", "rule 'systolic_high': persistence = 1.5: should be a valid integer"),
    (K1 + 'intent = "all_out"', "intent = 'all_out': should be 'maximal', 'submaximal' or 'symptom_limited'"),
    (K1 + 'sex = "unknown"', "sex = 'unknown': should be 'female' or 'male'"),
    (K1 + 'age_min = "old"', "age_min = 'old': should be a valid number"),
    (K1 + 'beta_blocker = "yes"', "beta_blocker = 'yes': should be a valid boolean"),
    (
        'sets = ["maximal"]\n[[rule]]\ncode = "hr_recovery_slow"\nvariant = "active"\nrecovery_mode = "lazy"',
        "recovery_mode = 'lazy': should be 'active', 'passive' or 'supine'",
    ),
    (K1 + "age_min = 60\nage_max = 18", "age_min = 60 must lie below age_max = 18"),
    (
        K1 + 'recovery_mode = "active"',
        "rule 'systolic_high': recovery_mode = 'active': only rules about recovery can have it",
    ),
    (
        '[[rule]]\ncode = "few_loads"\nphase = ["exercise"]',
        "rule 'few_loads': phase: stages is judged once a test, in no phase; take phase out",
    ),
    (
        'sets = ["maximal"]\n[[rule]]\ncode = "chronotropic_index_low"\nphase = ["recovery"]',
        "rule 'chronotropic_index_low': phase: index is judged once a test, in no phase",
    ),
    (
        '[[rule]]\ncode = "load_off_target"\npersistence = 2',
        "rule 'load_off_target': persistence = 2: watts is not judged at each reading; take it out",
    ),
    (
        f'[[rule]]\ncode = "systolic_fall"\nvariant = "old"\nage_min = 60\n{REST_OF_A_RULE}',
        "rule 'systolic_fall': variant = 'old': systolic_fall is one rule for all; take it out",
    ),
    (
        K1 + f'variant = "tall"\n{REST_OF_A_RULE}',
        "rule 'systolic_high': variant = 'tall' says for whom by none of intent, sex, age_min, age_max, "
        "beta_blocker, recovery_mode; write one",
    ),
    (
        K1 + f'variant = "Tall men"\nsex = "male"\n{REST_OF_A_RULE}',
        "rule 'systolic_high': variant = 'Tall men': write two or more small letters, digits and _",
    ),
]


@pytest.mark.parametrize(("text", "message"), WRONG)
def test_a_wrong_file_names_itself_and_what_to_mend(own, text, message):
    path = own(text)
    with pytest.raises(InputError) as caught:
        load_rules(path)
    assert str(caught.value).startswith(f"{path}: ")
    before, _, after = message.partition("(.*)")
    assert before in str(caught.value)
    assert after in str(caught.value)


def test_a_file_that_is_not_there(tmp_path):
    with pytest.raises(InputError, match="no such rules file; give an existing one or leave it out"):
        load_rules(tmp_path / "lab.toml")


def test_a_folder_or_another_encoding(tmp_path):
    (tmp_path / "lab.toml").write_bytes('words = "über"'.encode("latin-1"))
    for path in (tmp_path, tmp_path / "lab.toml"):
        with pytest.raises(InputError, match=r"cannot be read as a rules file .*; check the path"):
            load_rules(path)


# ---- whom a rule is for -----------------------------------------------------------------------

ONLY = [
    ({"intent": "maximal"}, {"intent": "maximal"}, {"intent": "submaximal"}),
    ({"sex": "female"}, {"sex": "female"}, {"sex": "male"}),
    ({"age_min": 18.0}, {"age_years": 18.0}, {"age_years": 17.9}),
    ({"age_max": 18.0}, {"age_years": 17.9}, {"age_years": 18.0}),
    ({"age_max": 18.0}, {"age_years": 5.0}, {}),
    ({"beta_blocker": True}, {"medication": "other+beta_blocker"}, {"medication": "other"}),
    ({"beta_blocker": True}, {"medication": "beta_blocker"}, {}),
    ({"beta_blocker": False}, {"medication": "unknown"}, {"medication": "beta_blocker"}),
    ({"phase": ("exercise",)}, {}, None),
]


@pytest.mark.parametrize(("only", "inside", "outside"), ONLY)
def test_a_rule_may_be_for_some_only(invented, derive, only, inside, outside):
    rules = shipped_rules()
    chosen = replace(
        rules,
        rules=tuple(
            rule.model_copy(update=only) if rule.key == ("systolic_high", "k1", "") else rule
            for rule in rules.rules
        ),
    )
    at_rest = {"at_s": 500} if outside is None else {}
    cases = {
        "inside": loaded(invented, 251, **inside),
        "outside": loaded(invented, 251, **outside or {}, **at_rest),
    }
    derived = derive(cases, chosen)
    assert len(derived.flags("inside", "systolic_high")) == 1
    assert derived.flags("outside", "systolic_high") == []
