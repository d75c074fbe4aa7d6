-- exercise_end: one row a test with a loaded stage: when exercise ended.
-- inputs: stages, samples, setting.
-- The first moment, within 60 s around the start of recovery, from which load stays for 5 s below
-- half of the mean of the 15 s before it, or cadence below 20 rpm; else the start of recovery;
-- without one, the end of the last loaded stage.  It moves measures only.
with ends as (
    select study, test_id, min(started_at) filter (where loaded) as first_load_at,
        max(ended_at) filter (where loaded) as last_load_ended_at,
        max(started_at) filter (where loaded) as last_load_started_at
    from stages
    group by study, test_id
),
recovery as (
    select stages.study, stages.test_id, min(started_at) as recovery_at
    from stages
    join ends using (study, test_id)
    where phase = 'recovery' and started_at > last_load_started_at
    group by stages.study, stages.test_id
),
near as (
    select samples.study, samples.test_id, samples.source, seq, sampled_at, epoch_us(sampled_at) as at_us,
        recovery_at, case when watts_counts then watts end as watts,
        case when cadence_counts then cadence_rpm end as cadence_rpm, watts_rank, cadence_rank
    from samples
    join recovery on recovery.study = samples.study and recovery.test_id = samples.test_id
        and sampled_at between recovery_at - to_seconds(80) and recovery_at + to_seconds(70)
),
load_source as (
    select *, watts as observed from near
    where watts is not null and watts_rank is not null
    qualify rank() over (partition by study, test_id order by watts_rank) = 1
),
load_low as (
    select *, after_watts < before_watts / 2 as is_low
    from (
        select study, test_id, sampled_at, at_us, recovery_at,
            -- whole numbers: what a window sums must not depend on where in the batch the test stands
            avg(cast(round(observed * 1e6) as bigint)) over (
                partition by study, test_id order by at_us range between 15000000 preceding and 1 preceding
            ) / 1e6 as before_watts,
            max(observed) over (
                partition by study, test_id order by at_us range between current row and 5000000 following
            ) as after_watts
        from load_source
    )
),
load_drop as (
    select study, test_id, min(sampled_at) as dropped_at
    from (
        -- only where it begins to be low: a fall of before these 60 s goes on being one for 15 s
        select *, lag(is_low) over (partition by study, test_id order by at_us) as was_low from load_low
    )
    where is_low and not coalesce(was_low, false)
        and sampled_at between recovery_at - to_seconds(60) and recovery_at + to_seconds(60)
    group by study, test_id
),
cadence_source as (
    select * from near
    where cadence_rpm is not null and cadence_rank is not null
    qualify rank() over (partition by study, test_id order by cadence_rank) = 1
),
cadence_drop as (
    select study, test_id, min(sampled_at) as dropped_at
    from (
        select study, test_id, sampled_at, recovery_at,
            lag(cadence_rpm) over (partition by study, test_id order by at_us) as before_rpm,
            max(cadence_rpm) over (
                partition by study, test_id order by at_us range between current row and 5000000 following
            ) as after_rpm
        from cadence_source
    )
    where after_rpm < 20 and before_rpm >= 20
        and sampled_at between recovery_at - to_seconds(60) and recovery_at + to_seconds(60)
    group by study, test_id
)
select ends.study, ends.test_id, first_load_at,
    coalesce(least(load_drop.dropped_at, cadence_drop.dropped_at), recovery_at, last_load_ended_at)
        as exercise_end_at,
    case
        when load_drop.dropped_at <= coalesce(cadence_drop.dropped_at, load_drop.dropped_at) then 'load'
        when cadence_drop.dropped_at is not null then 'cadence'
        when recovery_at is not null then 'recovery'
        else 'last_stage'
    end as exercise_end_source
from ends
left join recovery using (study, test_id)
left join load_drop using (study, test_id)
left join cadence_drop using (study, test_id)
where first_load_at is not null
