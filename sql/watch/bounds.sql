-- bounds: one row a value or moment from which on a flag about time or load could be another one.
-- inputs: stages, stage_loads, readings, times, sources, intervals, heart_rate_limits, test_limit, flags,
-- rule, setting, journal_end.
-- As last derived.  They only say when it has to be asked (moved_flags) whether one is; asking once too
-- often is right, once too seldom is found with the next run of the whole ladder.  what: force the stage
-- in force (moment: its start; number: 1 loaded, 2 a loaded ramp, else 0); watts a mean load of it at
-- which a flag comes or goes; due a moment; placed the last moment of a reading; watts_silent,
-- heart_rate_silent the seconds without a sample that could be a gap, moment: from when at the earliest;
-- bpm a heart rate below which no limit is reached; unheard that a limit waits for a heart rate.
with in_force as (
    select stage_index, started_at, loaded, is_ramp, target_watts
    from (select stage_index, stage_seq, started_at, loaded, is_ramp, target_watts from stages)
    order by started_at desc, stage_seq desc
    limit 1
),
first_load as (
    select min(started_at) as first_load_at
    from (select started_at, loaded from stages)
    where loaded
),
moments as (
    select measured_at, dbp_at
    from (select study, test_id, reading_id, measured_at from readings)
    join (select study, test_id, reading_id, dbp_at from times) using (study, test_id, reading_id)
),
watched as (
    select max(since) as since
    from (
        select first_load_at as since from first_load
        union all
        select max(measured_at) from (select measured_at, used, loaded from readings) where used and loaded
    )
),
thresholds as (
    select code, quantity, threshold from rule
),
given as (
    select 'watts' as measure, watts_rank as priority, name from sources where watts_rank is not null
    union all
    select 'heart_rate', heart_rate_rank, name from sources where heart_rate_rank is not null
),
silent as (
    select given.measure, coalesce(interval_s, 0) as interval_s
    from given
    left join (select source, interval_s from intervals) as intervals on intervals.source = given.name
    qualify row_number() over (partition by given.measure order by priority, name) = 1
)
select 'force' as what, started_at as moment,
    cast(case when not loaded then 0 when is_ramp then 2 else 1 end as double) as number
from in_force
union all
select 'watts', null::timestamp, unnest([target_watts * (1 - load_off_percent / 100), target_watts * (1 + load_off_percent / 100)])
from in_force
cross join (select load_off_percent from setting)
where loaded and target_watts is not null
union all
select 'watts', null, unnest([target_watts - threshold, target_watts + threshold])
from in_force
cross join thresholds
where code in ('load_off_target', 'stage_differs_from_protocol') and quantity = 'watts'
    and loaded and target_watts is not null
union all
select 'watts', null, watts_mean
from in_force
join (select stage_index, loaded, watts_mean from stage_loads) as stage_loads
    on stage_loads.loaded and stage_loads.stage_index <> in_force.stage_index
where watts_mean is not null and in_force.loaded
union all
select 'due', plus_s(first_load_at, 60 * (test_limit.threshold + thresholds.threshold)), null
from first_load
cross join test_limit
join thresholds on thresholds.code = 'protocol_limit' and thresholds.quantity = test_limit.quantity
where test_limit.quantity = 'minutes' and first_load_at is not null
union all
select 'due', plus_s(since, threshold), null
from watched
join thresholds on code = 'pressure_unwatched' and quantity = 'unused'
where since is not null
union all
select 'due', unnest([measured_at, dbp_at]), null
from moments
cross join (select as_of from journal_end)
where measured_at > as_of or dbp_at > as_of
union all
select 'placed', max(greatest(measured_at, dbp_at)), null
from moments
having count(*) > 0
union all
select measure || '_silent', first_load_at, greatest(gap_search_s, gap_intervals * interval_s, least_s)
from silent
join (
    select case code when 'load_gap' then 'watts' else 'heart_rate' end as measure, min(threshold) as least_s
    from thresholds
    where code in ('load_gap', 'heart_rate_gap') and quantity = 'seconds'
    group by code
) using (measure)
cross join (select gap_intervals, gap_search_s from setting)
cross join first_load
where first_load_at is not null
union all
select 'bpm', null, min(case when limits.quantity = 'heart_rate_bpm' then bound
    else zero_bpm + bound / 100 * (full_bpm - zero_bpm) end)
from (
    select heart_rate_limits.quantity, zero_bpm, full_bpm, limit_at + threshold as bound
    from heart_rate_limits
    join thresholds on code = 'protocol_limit' and thresholds.quantity = heart_rate_limits.quantity
) as limits
having count(*) > 0
union all
select 'unheard', null, 1
from (select code, state from flags)
where code = 'limit_not_judged' and state <> 'withdrawn'
