-- limit_candidates: one row a stage and limit of this test, of heart rate or minutes, to be judged in it.
-- inputs: heart_rate_limits, heart_rate_held, test_limit, exercise_end, samples, stages, journal_end, rule.
-- {code, quantity, observed, detail}, judged in 61_flags.  Minutes count from the first load on.
with heard as (
    select samples.study, samples.test_id
    from samples
    join journal_end on journal_end.study = samples.study and journal_end.test_id = samples.test_id
    where heart_rate_counts and heart_rate_rank is not null and sampled_at <= as_of
    group by samples.study, samples.test_id
    having count(*) >= 3
),
unjudged as (
    select limits.study, limits.test_id, quantity,
        case when heard.test_id is null then 'no heart rate is logged' else unjudged end as why
    from heart_rate_limits as limits
    left join heard on heard.study = limits.study and heard.test_id = limits.test_id
),
first_load as (
    select study, test_id, stage_seq, stage_index, phase, started_at
    from stages
    join journal_end using (study, test_id)
    where loaded and started_at <= as_of
    qualify row_number() over (partition by study, test_id order by stage_index) = 1
)
select held.study, held.test_id, stage_seq, stages.stage_index, stages.phase, held_at as flag_at,
    {code: 'protocol_limit', quantity: held.quantity, observed: least_above,
     detail: format('limit of this test: {} {:g}', held.quantity, limit_at)} as one
from heart_rate_held as held
join heart_rate_limits using (study, test_id, quantity)
join stages on stages.study = held.study and stages.test_id = held.test_id
    and stages.stage_index = held.stage_index
union all
select stages.study, stages.test_id, stage_seq, stage_index, stages.phase,
    greatest(started_at, plus_s(first_load_at, 60 * (test_limit.threshold + rule.threshold))),
    {code: 'protocol_limit', quantity: 'minutes',
     observed: seconds_between(first_load_at, least(ended_at, as_of)) / 60 - test_limit.threshold,
     detail: format('limit of this test: minutes {:g}', test_limit.threshold)}
from stages
join journal_end using (study, test_id)
join exercise_end using (study, test_id)
join test_limit using (study, test_id)
join rule on rule.code = 'protocol_limit' and rule.quantity = 'minutes'
where test_limit.quantity = 'minutes' and loaded and started_at <= as_of
union all
select unjudged.study, unjudged.test_id, stage_seq, stage_index, phase, started_at,
    {code: 'limit_not_judged', quantity: 'limits', observed: count(*),
     detail: string_agg(format('{}: {}', quantity, why), '; ' order by quantity)}
from unjudged
join first_load on first_load.study = unjudged.study and first_load.test_id = unjudged.test_id
where why is not null
group by unjudged.study, unjudged.test_id, stage_seq, stage_index, phase, started_at
