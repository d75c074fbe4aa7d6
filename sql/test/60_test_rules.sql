-- test_rules: one row a test and rule that is for it.
-- inputs: rule, test_opened, heart_rate_recovery.
-- Age, sex, intent, medication and mode of recovery decide; what is not known meets no condition, but
-- a medication that is not known counts as no beta-blocker.  A variant that is for this test stands in
-- place of the rule of its code and quantity without a variant.
select test_opened.study, test_opened.test_id, rule.code, quantity, level, operator, threshold, unit, persistence,
    phase, words, rule_source, position
from test_opened
cross join rule
left join (select study, test_id, recovery_mode as mode_was from heart_rate_recovery) using (study, test_id)
where (rule.intent is null or rule.intent = test_opened.intent)
    and (rule.sex is null or rule.sex = test_opened.sex)
    and (age_min is null or age_years >= age_min)
    and (age_max is null or age_years < age_max)
    and (recovery_mode is null or recovery_mode = mode_was)
    and (beta_blocker is null or beta_blocker = coalesce(contains(medication, 'beta_blocker'), false))
qualify variant <> '' or not bool_or(variant <> '') over (partition by study, test_id, rule.code, quantity)
