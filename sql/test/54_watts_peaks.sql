-- watts_peaks: one row a test: the highest load of its exercise stages, W.
-- inputs: test_opened, test_closed, stage_loads, exercise_end, samples, setting.
-- credit: of the stages ridden to their planned end the highest mean load, plus a part of the step to
-- the stage after it, (W_n - W_c) * min(1, t_n / D_n), where that one is higher.  ramp: the mean of the
-- last 15 s of the last ramp.  ridden: without planned lengths, the highest mean load of a stage of
-- a minute or more.  A stage is ridden until it or exercise ends, and what comes after has no load.
with ridden as (
    select stage_loads.study, stage_loads.test_id, stage_index, is_ramp, planned_s, started_at, watts_mean,
        least(ended_at, exercise_end_at) as rides_to,
        seconds_between(started_at, rides_to) as ridden_s, exercise_end_at < ended_at as is_cut,
        bool_and(planned_s is not null) over by_test as is_planned, bool_or(is_ramp) over by_test as has_ramp
    from stage_loads
    join exercise_end using (study, test_id)
    where phase = 'exercise' and started_at < exercise_end_at
    window by_test as (partition by stage_loads.study, stage_loads.test_id)
),
-- what is not yet in stage_loads: the last stage without what was logged after exercise
measured as (
    select study, test_id, stage_index,
        arg_min(settled_watts, watts_rank) filter (where settled_watts is not null) as settled_watts,
        arg_min(last_watts, watts_rank) filter (where last_watts is not null) as last_watts
    from (
        select ridden.study, ridden.test_id, ridden.stage_index, watts_rank,
            avg(watts order by seq) filter (
                where seconds_between(started_at, sampled_at) > load_grace_s or ridden_s <= 3 * load_grace_s
            ) as settled_watts,
            avg(watts order by seq) filter (where sampled_at >= rides_to - to_seconds(15)) as last_watts
        from ridden
        join samples on samples.study = ridden.study and samples.test_id = ridden.test_id
            and samples.stage_index = ridden.stage_index and sampled_at < rides_to
        cross join (select load_grace_s from setting)
        where (is_cut or is_ramp) and watts_counts
        group by ridden.study, ridden.test_id, ridden.stage_index, watts_rank
    )
    group by study, test_id, stage_index
),
followed as (
    select study, test_id, stage_index, is_ramp, is_planned, has_ramp, last_watts,
        case when is_cut then settled_watts else watts_mean end as watts,
        case when is_planned then ridden_s >= planned_s - watts_peak_short_s else ridden_s >= 60 end as is_complete,
        lead({is_ramp: is_ramp, watts: watts, share: least(1, ridden_s / nullif(planned_s, 0))}) over (
            partition by study, test_id order by stage_index
        ) as after,
        watts_peak_credit_watts
    from ridden
    cross join (select watts_peak_short_s, watts_peak_credit_watts from setting)
    left join measured using (study, test_id, stage_index)
),
judged as (
    select study, test_id, bool_or(is_planned) as is_planned, bool_or(has_ramp) as has_ramp,
        arg_max(last_watts, stage_index) filter (where is_ramp and last_watts is not null) as ramp_watts,
        max(case
            when is_planned and not after.is_ramp and after.watts > watts + watts_peak_credit_watts
                then watts + (after.watts - watts) * after.share
            else watts
        end) filter (where is_complete and not is_ramp) as stage_watts,
        count(*) filter (where is_complete and not is_ramp) as complete_n,
        -- a higher stage may lie behind one that has no load
        arg_max(watts is null, stage_index) filter (where is_complete and not is_ramp) as last_unknown,
        arg_max(is_planned and after is not null and after.watts is null, stage_index)
            filter (where is_complete and not is_ramp) as next_unknown
    from followed
    group by study, test_id
)
select test_opened.study, test_opened.test_id,
    case when has_ramp then ramp_watts when not last_unknown then stage_watts end as watts_peak,
    case when watts_peak is null then null when has_ramp then 'ramp' when is_planned then 'credit' else 'ridden' end
        as watts_peak_method,
    case when watts_peak is not null
        then coalesce(intent = 'maximal' and reason = 'exhaustion', false) end as watts_peak_is_limit,
    case
        when judged.study is null then 'no_exercise_stage'
        when has_ramp then case when ramp_watts is null then 'no_load' end
        when complete_n = 0 then 'no_complete_stage'
        when last_unknown or next_unknown then 'no_load'
    end as watts_peak_note
from test_opened
left join (select study, test_id, reason from test_closed) as test_closed using (study, test_id)
left join judged using (study, test_id)
