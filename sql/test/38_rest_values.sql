-- rest_values: one row a test with a used resting reading before load.
-- inputs: readings, loads, stages, dbp_loads, test_opened.
-- The last resting stage before load in the posture of exercise (on the ergometer; else seated
-- for upright, supine for supine cycling) with a used reading; another posture only where
-- neither has one.  mmHg, bpm; the mean of all used readings of that stage.
with first_load as (
    select study, test_id, min(started_at) as load_started_at
    from stages where loaded group by study, test_id
),
candidate as (
    select stages.study, stages.test_id, stages.stage_index, stages.stage_seq, stages.position,
        stages.started_at, stages.ended_at,
        case
            when stages.position = 'ergometer' then 1
            when stages.position = case ergometer_posture
                when 'supine' then 'supine' when 'semi_recumbent' then 'semi_recumbent' else 'seated' end then 2
            else 3
        end as posture_order
    from stages
    join test_opened using (study, test_id)
    left join first_load using (study, test_id)
    where stages.phase = 'rest' and (load_started_at is null or stages.started_at < load_started_at)
        and exists (from readings where readings.study = stages.study and readings.test_id = stages.test_id
            and readings.stage_index = stages.stage_index and readings.used)
    qualify row_number() over (
        partition by stages.study, stages.test_id order by posture_order, stages.started_at desc
    ) = 1
)
select candidate.study, candidate.test_id, candidate.stage_index as rest_stage_index,
    candidate.stage_seq as rest_stage_seq, candidate.position as rest_position,
    posture_order = 3 as rest_other_posture,
    avg(k1_mmhg order by measured_at, reading_id) as sbp_rest_mmhg,
    count(*) as sbp_rest_n,
    max(k1_mmhg) - min(k1_mmhg) as sbp_rest_spread_mmhg,
    case when count(distinct dbp_phase) filter (where not dbp_next_load) = 1
        then avg(dbp_mmhg order by measured_at, reading_id) filter (where not dbp_next_load)
    end as dbp_rest_mmhg,
    case
        when count(dbp_mmhg) filter (where not dbp_next_load) = 0 then 'diastolic_unresolved'
        when count(distinct dbp_phase) filter (where not dbp_next_load) > 1 then 'phase_differs'
    end as dbp_rest_note,
    case when count(distinct dbp_phase) filter (where not dbp_next_load) = 1
        then max(dbp_phase) filter (where not dbp_next_load) end as dbp_rest_phase,
    avg(heart_rate_bpm order by measured_at, reading_id) as hr_rest_bpm,
    case when count(distinct arm) = 1 then max(arm) when count(distinct arm) > 1 then 'both' end as rest_arm,
    seconds_between(candidate.started_at, min(coalesce(pump_started_at, readings.measured_at))) as rest_before_s
from candidate
join readings using (study, test_id, stage_index)
left join loads using (study, test_id, reading_id)
left join times using (study, test_id, reading_id)
left join dbp_loads using (study, test_id, reading_id)
where used
group by candidate.study, candidate.test_id, candidate.stage_index, candidate.stage_seq,
    candidate.position, posture_order, candidate.started_at
