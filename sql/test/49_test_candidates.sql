-- test_candidates: one row a test, or moment of it, and thing that a flag could be raised for.
-- inputs: test_opened, journal_end, flag_stages, flag_readings, stages, sources, symptom_noted, sign_noted,
-- cuff_changed, line_rejected, rule, setting, bladder.
-- {code, quantity, observed, detail}, judged in 50_flags; observed null: nothing to judge.
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
),
cuffs as (
    select study, test_id, seq, event_time, bladder_length_cm, bladder_width_cm from test_opened
    union all
    select study, test_id, seq, event_time, bladder_length_cm, bladder_width_cm from cuff_changed
),
-- between two sizes in print the smaller one holds; under the least and over the largest none does
fitted as (
    select cuffs.*,
        case
            when arm_circumference_cm > (select max(arm_to_cm) from bladder) or bladder.words is null
                then format('of the arm; AHA 2005 has no cuff for {:g} cm', arm_circumference_cm)
            when bladder_length_cm = length_cm and bladder_width_cm = width_cm
                then format('of the arm; yet for {:g} cm AHA 2005 has this cuff', arm_circumference_cm)
            else format('of the arm; for {:g} cm AHA 2005 has the {}', arm_circumference_cm, bladder.words)
        end as detail
    from (
        select cuffs.*, arm_circumference_cm
        from cuffs join test_opened using (study, test_id)
        where arm_circumference_cm is not null
    ) as cuffs
    asof left join bladder on cuffs.arm_circumference_cm >= bladder.arm_from_cm
)
select test_opened.study, test_opened.test_id, test_opened.seq, null, null, null,
    {code: 'few_loads', quantity: 'stages',
     observed: count(*) filter (where stage.loaded and ridden_s >= stage_hr_min_s),
     detail: 'loaded stages of 90 s or more'}
from test_opened
join journal_end using (study, test_id)
cross join setting
join flag_stages as stage using (study, test_id)
where journal_end.closed
group by test_opened.study, test_opened.test_id, test_opened.seq
having not bool_or(stage.is_ramp)
union all
select study, test_id, seq, stage_index, phase, event_time,
    {code: 'symptom', quantity: code, observed: severity, detail: replace(code, '_', ' ')}
from in_force
union all
select study, test_id, stage_seq, stage_index, phase, flag_at,
    {code: 'pressure_unwatched', quantity: 'unused', observed: unused_s,
     detail: 'seconds under load without a used reading'}
from unwatched_for
union all
select study, test_id, seq, null, null, event_time, unnest([
    {code: 'bladder_length', quantity: 'percent',
     observed: 100 * bladder_length_cm / arm_circumference_cm, detail: detail},
    {code: 'bladder_length', quantity: 'percent_long',
     observed: 100 * bladder_length_cm / arm_circumference_cm, detail: detail},
    {code: 'bladder_width', quantity: 'percent',
     observed: 100 * bladder_width_cm / arm_circumference_cm, detail: detail}
])
from fitted
union all
select study, test_id, seq, null, null, null,
    {code: 'gauge_unchecked', quantity: 'days', observed: date_diff('day', gauge_checked_on, cast(anchor as date)),
     detail: 'days since the dial was checked'}
from test_opened
union all
select line_rejected.study, line_rejected.test_id, min(sources.seq), null, null, null,
    {code: 'lines_rejected', quantity: 'lines', observed: count(*), detail: line_rejected.source}
from line_rejected
join sources on sources.study = line_rejected.study and sources.test_id = line_rejected.test_id
    and sources.name = line_rejected.source
group by line_rejected.study, line_rejected.test_id, line_rejected.source
