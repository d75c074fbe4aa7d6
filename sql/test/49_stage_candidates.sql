-- stage_candidates: one row a stage and thing that a flag could be raised for.
-- inputs: flag_stages, flag_readings, gaps, reading_due, stages, rest_values, journal_end.
-- {code, quantity, observed, detail}, judged in 61_flags; observed null: nothing to judge.
with highest as (
    select study, test_id, min(stage_index) as highest_index
    from flag_stages as stage where loaded and watts_mean = highest_watts
    group by study, test_id
),
hr_flat as (
    select study, test_id, stage_seq, stage_index, phase, ended_at,
        case when watts_step >= hr_rise_watts - load_noise_watts then hr_step end as rise,
        lag(case when watts_step >= hr_rise_watts - load_noise_watts then hr_step end) over (
            partition by study, test_id order by stage_index) as rise_before
    from (
        select study, test_id, stage_seq, stage_index, phase, ended_at, watts_step, hr_step, hr_rise_watts,
            load_noise_watts, loaded, is_over, medication, pacemaker
        from flag_stages
    ) as stage
    where loaded and is_over and not coalesce(contains(medication, 'beta_blocker'), false)
        and not coalesce(pacemaker, false)
),
rest_stage as (
    select reading.study, reading.test_id, reading.stage_index, max(reading_id) as target_seq,
        max(measured_at) as flag_at,
        case when count(*) filter (where used) >= 2
            then avg(sbp_mmhg order by measured_at, reading_id) filter (where used) end as mean_sbp,
        case when count(dbp_mmhg) filter (where used and not dbp_next_load) >= 2
                and count(distinct dbp_phase) filter (where used and not dbp_next_load) = 1
            then avg(dbp_mmhg order by measured_at, reading_id) filter (where used and not dbp_next_load)
        end as mean_dbp,
        list_sort(list(sbp_mmhg) filter (where k1_at_least), 'desc')[2] as second_lower_bound,
        min(rest_before_s) as rest_before_s
    from flag_readings as reading
    where phase = 'rest' and status = 'taken' and role = 'primary'
    group by reading.study, reading.test_id, reading.stage_index
)
select rest_stage.study, rest_stage.test_id, target_seq, stage_index, 'rest', flag_at, unnest([
    {code: 'resting_pressure_high', quantity: 'mean_sbp', observed: mean_sbp, detail: 'mean systolic at rest'},
    {code: 'resting_pressure_high', quantity: 'mean_dbp', observed: mean_dbp, detail: 'mean diastolic at rest'},
    {code: 'resting_pressure_high', quantity: 'lower_bounds', observed: second_lower_bound,
     detail: 'two readings above the cuff'},
    {code: 'rest_short', quantity: 'rest_before', observed: rest_before_s,
     detail: 'seconds of rest before the first pumping'}
])
from rest_stage
union all
-- while rest goes on another reading, or another resting stage, may still come
select rest_values.study, rest_values.test_id, rest_stage_seq, rest_stage_index, 'rest', null, unnest([
    {code: 'rest_single', quantity: 'readings', observed: case when is_over then sbp_rest_n end,
     detail: null},
    {code: 'rest_posture', quantity: 'presence',
     observed: case when rest_other_posture
        and (closed or coalesce(next_phase in ('warmup', 'exercise'), false)) then 1 end,
     detail: rest_position}
])
from rest_values
join flag_stages as stage on stage.study = rest_values.study and stage.test_id = rest_values.test_id
    and stage.stage_seq = rest_stage_seq
join journal_end on journal_end.study = rest_values.study and journal_end.test_id = rest_values.test_id
union all
select study, test_id, stage_seq, stage_index, phase, ended_at, unnest([
    {code: 'load_off_target', quantity: 'watts',
     observed: case when loaded and 100 * abs(watts_mean - target_mean) > load_off_percent * target_mean
        then abs(watts_mean - target_mean) end,
     detail: format('{:.0f} W ridden for {:.0f} W', watts_mean, target_mean)},
    {code: 'stage_differs_from_protocol', quantity: 'watts',
     observed: case when loaded and started_by = 'detected' and planned_s is not null
        then abs(watts_mean - target_mean) end,
     detail: format('{:.0f} W ridden for {:.0f} W', watts_mean, target_mean)},
    {code: 'stage_differs_from_protocol', quantity: 'length',
     observed: case when loaded and is_over and (next_phase in ('warmup', 'exercise') or ridden_s > planned_s)
        then abs(ridden_s - planned_s) end,
     detail: format('{:.0f} s ridden for {:.0f} s', ridden_s, planned_s)},
    {code: 'stage_differs_from_protocol', quantity: 'unplanned',
     observed: case when loaded and has_protocol and started_by = 'detected' and planned_s is null then 1 end,
     detail: 'not in the protocol'}
])
from flag_stages as stage
union all
select stage.study, stage.test_id, stage_seq, stage_index, phase, ended_at,
    {code: 'load_not_rising', quantity: 'watts',
     observed: case when stage_index < highest_index then highest_before - watts_mean end,
     detail: format('{:.0f} W after {:.0f} W', watts_mean, highest_before)}
from flag_stages as stage join highest using (study, test_id)
where loaded
union all
select study, test_id, stage_seq, stage_index, phase, ended_at,
    {code: 'heart_rate_not_rising', quantity: 'rise',
     -- greatest() passes over a null, and both are asked for
     observed: case when rise is not null and rise_before is not null then greatest(rise, rise_before) end,
     detail: 'twice running with the load up'}
from hr_flat
union all
select study, test_id, stage_seq, stage_index, phase, opens,
    {code: measure || '_gap', quantity: 'seconds', observed: gap_s,
     detail: format('no sample from {} to {} min', minutes_text(anchor, opens), minutes_text(anchor, closes))}
from (select * replace (case measure when 'watts' then 'load' else measure end as measure) from gaps)
join test_opened using (study, test_id)
union all
select reading_due.study, reading_due.test_id, stages.stage_seq, stages.stage_index, phase,
    reading_due.stand_by,
    {code: 'limit_expected', quantity: 'expected_sbp', observed: expected_sbp_mmhg,
     detail: 'expected at this load'}
from reading_due join stages using (study, test_id, stage_index)
where loaded
