-- falls: one row a used loaded reading: how far its systolic lies below the highest earlier one.
-- inputs: readings, loads, stages, setting.
-- reference: the highest k1 of earlier used loaded readings of the same arm at a load at least
-- `fall_watts` lower; across an unloaded stage only within `fall_intermittent_s`.  An arm that was
-- not noted counts as the arm of the reading before, at rest too; a load that was not logged as
-- the stage's target at that moment (load_source target).  fall_mmhg = reference - k1.
with armed as (
    select study, test_id, reading_id, stage_index, phase, measured_at, k1_mmhg, clarity, used, loaded,
        coalesce(
            last_value(arm ignore nulls) over (
                partition by study, test_id order by measured_at, reading_id
                rows between unbounded preceding and current row
            ),
            first_value(arm ignore nulls) over (
                partition by study, test_id order by measured_at, reading_id
                rows between current row and unbounded following
            ),
            'one'
        ) as arm_taken
    from (
        select study, test_id, reading_id, stage_index, phase, measured_at, k1_mmhg, clarity, used, loaded, arm,
            status, role
        from readings
    )
    where status = 'taken' and role = 'primary'
),
targeted as (
    select armed.*, watts,
        case when not stages.is_ramp then stages.target_watts
            else stages.target_watts + (stages.target_watts_to - stages.target_watts)
                * least(1, seconds_between(stages.started_at, measured_at) / planned_s)
        end as target_at_reading
    from armed
    left join (select study, test_id, reading_id, watts from loads) using (study, test_id, reading_id)
    left join (
        select study, test_id, stage_index, is_ramp, target_watts, target_watts_to, started_at, planned_s from stages
    ) as stages using (study, test_id, stage_index)
    where used and armed.loaded
),
loaded as (
    select *, coalesce(watts, target_at_reading) as load_watts,
        case when watts is not null then 'log' when target_at_reading is not null then 'target' end as load_source
    from targeted
),
referred as (
    select now.study, now.test_id, now.reading_id, earlier.reading_id as reference_id,
        earlier.k1_mmhg as reference_mmhg, earlier.measured_at as reference_at,
        earlier.load_watts as reference_watts
    from loaded as now
    join loaded as earlier on earlier.study = now.study and earlier.test_id = now.test_id
        and earlier.measured_at < now.measured_at
    cross join setting
    where earlier.arm_taken = now.arm_taken
        and earlier.load_watts <= now.load_watts - fall_watts + load_noise_watts
        and (
            earlier.measured_at >= plus_s(now.measured_at, -fall_intermittent_s)
            or not exists (
                from stages where stages.study = now.study and stages.test_id = now.test_id
                    and not stages.loaded and stages.stage_index > earlier.stage_index
                    and stages.stage_index < now.stage_index
            )
        )
    qualify row_number() over (
        partition by now.study, now.test_id, now.reading_id
        order by earlier.k1_mmhg desc, earlier.measured_at desc, earlier.reading_id desc
    ) = 1
)
select loaded.study, loaded.test_id, loaded.reading_id, measured_at, stage_index, phase, k1_mmhg, clarity,
    load_watts, load_source, arm_taken, reference_id, reference_mmhg, reference_at, reference_watts,
    reference_mmhg - k1_mmhg as fall_mmhg,
    lead(loaded.reading_id) over in_order as next_id,
    lead(measured_at) over in_order as next_at,
    lead(load_watts) over in_order as next_watts,
    lead(k1_mmhg) over in_order as next_k1_mmhg,
    lead(stage_index) over in_order as next_stage_index,
    lead(phase) over in_order as next_phase,
    lag(k1_mmhg) over in_order as before_k1_mmhg,
    lag(stage_index) over in_order as before_stage_index
from loaded
left join referred using (study, test_id, reading_id)
window in_order as (partition by loaded.study, loaded.test_id order by measured_at, loaded.reading_id)
