-- heart_rate_limits: one row a limit of heart rate that this test has: what it is counted from and to.
-- inputs: test_limit, test_opened, rest_values, setting.
-- percent = 100 (HR - zero_bpm) / (full_bpm - zero_bpm); full_bpm is null where the limit is in bpm or
-- cannot be judged.  unjudged: why it cannot be judged, or not as it was meant.
with known as (
    select test_limit.study, test_limit.test_id, quantity, threshold as limit_at,
        age_years, medication, quantity = 'hr_percent_reserve' as from_rest, hr_rest_bpm,
        case when quantity <> 'heart_rate_bpm' then hr_max_predicted(hr_max_method, age_years) end as hr_max_bpm
    from test_limit
    join test_opened using (study, test_id)
    left join rest_values using (study, test_id)
    cross join setting
    where quantity in ('heart_rate_bpm', 'hr_percent_max', 'hr_percent_reserve')
)
select study, test_id, quantity, limit_at,
    case when from_rest then hr_rest_bpm else 0 end as zero_bpm,
    case when not from_rest or hr_max_bpm > hr_rest_bpm + 20 then hr_max_bpm end as full_bpm,
    case
        when quantity = 'heart_rate_bpm' then null
        when age_years is null then 'the age is not known, so no maximum is predicted'
        when age_years < 18 then 'no maximum is predicted under 18 years'
        when from_rest and hr_rest_bpm is null then 'no heart rate is known at a resting reading'
        when from_rest and hr_max_bpm <= hr_rest_bpm + 20 then
            'the predicted maximum lies within 20 bpm of the resting heart rate'
        when contains(medication, 'beta_blocker') then
            'judged against a predicted maximum that does not hold with a beta-blocker'
    end as unjudged
from known
