-- whole_candidates: one row a test and thing about all of it that a flag could be raised for.
-- inputs: test_opened, journal_end, flag_stages, sources, cuff_changed, line_rejected, setting, bladder.
-- {code, quantity, observed, detail}, judged in 61_flags, in no phase; observed null: nothing to judge.
with cuffs as (
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
select test_opened.study, test_opened.test_id, test_opened.seq as target_seq, null::bigint as stage_index,
    null::varchar as phase, null::timestamp as flag_at,
    {code: 'few_loads', quantity: 'stages',
     observed: count(*) filter (where stage.loaded and ridden_s >= stage_hr_min_s),
     detail: 'loaded stages of 90 s or more'} as one
from test_opened
join journal_end using (study, test_id)
cross join setting
join flag_stages as stage using (study, test_id)
where journal_end.closed
group by test_opened.study, test_opened.test_id, test_opened.seq
having not bool_or(stage.is_ramp)
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
