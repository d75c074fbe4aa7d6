-- stages: one row a stage that was started (its bounds; what was ridden is in 36_stage_loads).
-- inputs: stage_started, stage_extended, sample, sources, test_closed, journal_end.
-- started_at is outside a stage and ended_at inside; opens_at makes the first stage include
-- its start.  A sample at a change of stage belongs to the one that begins: samples_until is outside.
-- A detected last stage ends with its last load sample, any other with the test.
with ordered as (
    select study, test_id, seq as stage_seq, stage_index, label, phase, position, target_watts,
        target_watts_to, planned_s, "by" as started_by, method, event_time as started_at,
        lead(event_time) over in_order as next_started_at,
        lag(event_time) over in_order is null as is_first
    from stage_started
    window in_order as (partition by study, test_id order by event_time, seq)
),
extended as (
    select study, test_id, stage_index, sum(seconds order by seq) as extended_s
    from stage_extended
    group by study, test_id, stage_index
),
last_load as (
    select study, test_id, max(plus_s(last_at, clock_offset_s)) as last_load_at
    from (
        select study, test_id, source as name, max(event_time) as last_at
        from (select study, test_id, source, event_time, watts from sample) as sample
        join (select distinct study, test_id from stage_started where "by" = 'detected') using (study, test_id)
        where watts is not null group by study, test_id, source
    )
    join sources using (study, test_id, name)
    group by study, test_id
),
bounded as (
    select ordered.*,
        coalesce(
            next_started_at,
            case when started_by = 'detected' then greatest(last_load_at, started_at) end,
            greatest(coalesce(test_closed.event_time, as_of), started_at)
        ) as ended_at,
        next_started_at is not null or closed as is_over,
        coalesce(extended_s, 0) as extended_s
    from ordered
    join journal_end using (study, test_id)
    left join (select study, test_id, event_time from test_closed) as test_closed using (study, test_id)
    left join extended using (study, test_id, stage_index)
    left join last_load using (study, test_id)
)
select study, test_id, stage_index, stage_seq, label, phase, position,
    phase in ('warmup', 'exercise') as loaded,
    target_watts, target_watts_to, target_watts_to is not null as is_ramp,
    planned_s + extended_s as planned_s, started_by, method,
    started_at, ended_at, is_over,
    coalesce(next_started_at, ended_at + to_microseconds(1)) as samples_until,
    case when is_first then started_at - to_microseconds(1) else started_at end as opens_at,
    seconds_between(started_at, ended_at) as ridden_s
from bounded
