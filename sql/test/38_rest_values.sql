-- rest_values: one row a test with a used resting reading before load.
-- inputs: readings, loads, times, stages, dbp_loads, test_opened.
-- The last resting stage before load in the posture of exercise (on the ergometer; else seated
-- for upright, supine for supine cycling) with a used reading; another posture only where
-- neither has one.  mmHg, bpm; the mean of all used readings of that stage.
with resting as (
    select readings.study, readings.test_id, stage_index, reading_id, measured_at, k1_mmhg, arm, heart_rate_bpm,
        case when not dbp_next_load then dbp_mmhg end as dbp_mmhg,
        case when not dbp_next_load then dbp_phase end as dbp_phase,
        coalesce(pump_started_at, measured_at) as begins_at
    from (
        select study, test_id, reading_id, stage_index, phase, measured_at, k1_mmhg, dbp_mmhg, dbp_phase, arm, used
        from readings
    ) as readings
    left join (select study, test_id, reading_id, heart_rate_bpm from loads) using (study, test_id, reading_id)
    left join (select study, test_id, reading_id, pump_started_at from times) using (study, test_id, reading_id)
    left join (select study, test_id, reading_id, dbp_next_load from dbp_loads) using (study, test_id, reading_id)
    where used and phase = 'rest'
),
averaged as (
    select study, test_id, stage_index,
        avg(k1_mmhg order by measured_at, reading_id) as sbp_mean_mmhg,
        count(*) as n,
        max(k1_mmhg) - min(k1_mmhg) as sbp_spread_mmhg,
        avg(dbp_mmhg order by measured_at, reading_id) as dbp_mean_mmhg,
        count(dbp_mmhg) as dbp_n, min(dbp_phase) as one_phase, max(dbp_phase) as other_phase,
        avg(heart_rate_bpm order by measured_at, reading_id) as hr_mean_bpm,
        min(arm) as one_arm, max(arm) as other_arm,
        min(begins_at) as begins_at
    from resting
    group by study, test_id, stage_index
),
ordered as (
    select stages.study, stages.test_id, stage_index, stage_seq, stages.position, phase, started_at,
        min(started_at) filter (where loaded) over (partition by stages.study, stages.test_id) as load_started_at,
        case
            when stages.position = 'ergometer' then 1
            when stages.position = case ergometer_posture
                when 'supine' then 'supine' when 'semi_recumbent' then 'semi_recumbent' else 'seated' end then 2
            else 3
        end as posture_order
    from (select study, test_id, stage_index, stage_seq, position, phase, started_at, loaded from stages) as stages
    join (select study, test_id, ergometer_posture from test_opened) using (study, test_id)
)
select study, test_id, stage_index as rest_stage_index, stage_seq as rest_stage_seq, position as rest_position,
    posture_order = 3 as rest_other_posture,
    sbp_mean_mmhg as sbp_rest_mmhg, n as sbp_rest_n, sbp_spread_mmhg as sbp_rest_spread_mmhg,
    case when one_phase = other_phase then dbp_mean_mmhg end as dbp_rest_mmhg,
    case when dbp_n = 0 then 'diastolic_unresolved' when one_phase <> other_phase then 'phase_differs' end
        as dbp_rest_note,
    case when one_phase = other_phase then one_phase end as dbp_rest_phase,
    hr_mean_bpm as hr_rest_bpm,
    case when one_arm = other_arm then one_arm when one_arm <> other_arm then 'both' end as rest_arm,
    seconds_between(started_at, begins_at) as rest_before_s
from ordered
join averaged using (study, test_id, stage_index)
where load_started_at is null or started_at < load_started_at
qualify row_number() over (partition by study, test_id order by posture_order, started_at desc) = 1
