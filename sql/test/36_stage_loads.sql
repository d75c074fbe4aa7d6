-- stage_loads: one row a stage: what was ridden, as published in stages.parquet.
-- inputs: stages, samples, test_opened, setting.
-- W, rpm, bpm, seconds.  watts_mean leaves out the first 20 s of a stage (`load_grace_s`), in
-- which a load is still being set (of a stage that is over and lasted under a minute none is left
-- out); stage_hr is the mean of the last 30 s of a stage ridden 90 s or more, steady when within 5 bpm
-- of the 30 s a minute earlier (stages of 3 min or more).
with best as (
    select samples.study, samples.test_id, stage_index,
        min(watts_rank) filter (where watts_counts) as watts_rank,
        min(cadence_rank) filter (where cadence_counts) as cadence_rank,
        min(heart_rate_rank) filter (where heart_rate_counts) as heart_rate_rank
    from samples
    where stage_index is not null
    group by samples.study, samples.test_id, stage_index
),
ridden as (
    select stages.study, stages.test_id, stages.stage_index, seq, source, sampled_at,
        case when watts_counts and samples.watts_rank = best.watts_rank then watts end as watts,
        case when cadence_counts and samples.cadence_rank = best.cadence_rank then cadence_rpm end as cadence_rpm,
        case when heart_rate_counts and samples.heart_rate_rank = best.heart_rate_rank
            then heart_rate_bpm end as heart_rate_bpm,
        heart_rate_from_rr as rr,
        (seconds_between(started_at, sampled_at) > load_grace_s or (is_over and ridden_s <= 3 * load_grace_s))
            and sampled_at < ended_at as settled,
        seconds_between(sampled_at, ended_at) as to_end_s
    from samples
    join stages on stages.study = samples.study and stages.test_id = samples.test_id
        and stages.stage_index = samples.stage_index
    join best on best.study = samples.study and best.test_id = samples.test_id
        and best.stage_index = samples.stage_index
    cross join setting
),
averaged as (
    select study, test_id, stage_index,
        avg(watts order by seq) filter (where settled) as watts_mean,
        stddev_samp(watts order by seq) filter (where settled) as watts_sd,
        count(watts) as watts_n,
        avg(cadence_rpm order by seq) filter (where settled) as cadence_mean_rpm,
        count(heart_rate_bpm) as heart_rate_n,
        case when bool_or(rr) filter (where heart_rate_bpm is not null)
            then count(heart_rate_bpm) filter (where to_end_s > 0 and to_end_s <= 30)
                / sum(1 / heart_rate_bpm order by seq) filter (where to_end_s > 0 and to_end_s <= 30)
            else avg(heart_rate_bpm order by seq) filter (where to_end_s > 0 and to_end_s <= 30)
        end as last_hr,
        case when bool_or(rr) filter (where heart_rate_bpm is not null)
            then count(heart_rate_bpm) filter (where to_end_s > 60 and to_end_s <= 90)
                / sum(1 / heart_rate_bpm order by seq)
                    filter (where to_end_s > 60 and to_end_s <= 90)
            else avg(heart_rate_bpm order by seq)
                filter (where to_end_s > 60 and to_end_s <= 90)
        end as earlier_hr
    from ridden
    group by study, test_id, stage_index
)
select stages.study, stages.test_id, stages.stage_index, stage_seq, label, phase, position, loaded,
    is_ramp, target_watts, target_watts_to, planned_s, started_by, method, started_at, ended_at,
    seconds_between(anchor, started_at) as started_s, ridden_s, is_over,
    watts_mean, watts_sd, coalesce(watts_n, 0) as watts_n, cadence_mean_rpm,
    case when ridden_s >= stage_hr_min_s then last_hr end as stage_hr_bpm,
    case when ridden_s >= steady_min_s and last_hr is not null and earlier_hr is not null
        then abs(last_hr - earlier_hr) <= steady_bpm end as hr_steady,
    coalesce(heart_rate_n, 0) as heart_rate_n
from stages
join (select study, test_id, anchor from test_opened) using (study, test_id)
cross join setting
left join averaged using (study, test_id, stage_index)
