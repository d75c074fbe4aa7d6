-- test_candidates: one row a moment of a test and thing that a flag could be raised for.
-- inputs: symptom_noted, sign_noted, stages, flag_readings, journal_end, rule.
-- {code, quantity, observed, detail}, judged in 61_flags; observed null: nothing to judge.
with symptoms as (
    select study, test_id, seq, event_time, code, case code
            when 'chest_pain' then coalesce(severity, 2) else coalesce(severity, 1) end as severity
    from symptom_noted where not void
    union all
    select study, test_id, seq, event_time, 'sign', coalesce(severity, 1) from sign_noted where not void
),
in_force as (
    select symptoms.*, stages.phase, stages.stage_index
    from symptoms
    asof left join stages on symptoms.study = stages.study and symptoms.test_id = stages.test_id
        and symptoms.event_time > stages.opens_at
),
watched as (
    select stages.study, stages.test_id, started_at as moment, cast(null as bigint) as reading_id
    from stages where loaded
    qualify row_number() over (partition by stages.study, stages.test_id order by stage_index) = 1
    union all
    select study, test_id, measured_at, reading_id from flag_readings as reading where used and loaded
    union all
    select study, test_id, least(max(ended_at) filter (where loaded), max(as_of)), null
    from stages join journal_end using (study, test_id)
    group by study, test_id having bool_or(loaded)
),
-- a flag about time holds from the moment its condition came true, and belongs to the stage of then
unwatched_for as (
    select stretch.study, stretch.test_id, stage_seq, stage_index, stages.phase, unused_s,
        greatest(started_at, plus_s(since, threshold)) as flag_at
    from (
        select study, test_id, moment, lag(moment) over (partition by study, test_id order by moment) as since,
            seconds_between(since, moment) as unused_s
        from watched
    ) as stretch
    join rule on rule.code = 'pressure_unwatched' and rule.quantity = 'unused'
    join stages on stages.study = stretch.study and stages.test_id = stretch.test_id and loaded
        and started_at < moment and ended_at > plus_s(since, threshold)
    where unused_s >= threshold
    qualify row_number() over (partition by stretch.study, stretch.test_id, moment order by stage_index) = 1
)
select study, test_id, seq, stage_index, phase, event_time,
    {code: 'symptom', quantity: code, observed: severity, detail: replace(code, '_', ' ')}
from in_force
union all
select study, test_id, stage_seq, stage_index, phase, flag_at,
    {code: 'pressure_unwatched', quantity: 'unused', observed: unused_s,
     detail: 'seconds under load without a used reading'}
from unwatched_for
