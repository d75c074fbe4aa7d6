-- flag_readings: one row a reading taken or missed: what flags ask of it and of the reading before.
-- inputs: measures, readings, rest_values, test_opened.
-- rest_before_s: seconds from the start of its stage to the pumping; `_before`: of the reading
-- before, k1_before of the used one before in the same stage.  mmHg, seconds.
with before as (
    select study, test_id, reading_id,
        lag(arm ignore nulls) over in_order as arm_before,
        min(sbp_mmhg) filter (where used) over before_in_stage as k1_lowest_before,
        max(sbp_mmhg) filter (where used) over before_in_stage as k1_highest_before,
        -- a missed attempt was let down when it was missed
        lag(coalesce(released_at, case when attempted then measured_at end) ignore nulls) over in_order
            as released_before
    from (
        select study, test_id, reading_id, status, role, stage_index, measured_at, arm, sbp_mmhg, used,
            released_at, attempted
        from measures
    )
    where status <> 'void'
    -- a second observer listens to the same beats: not another reading in the order of readings
    window in_order as (partition by study, test_id, coalesce(role, 'primary') order by measured_at, reading_id),
        before_in_stage as (partition by study, test_id, stage_index
            order by measured_at, reading_id rows between unbounded preceding and 1 preceding)
)
select study, test_id, reading_id, status, used, used_note, due_seq,
    stage_index, phase, measured_at, sbp_mmhg, k1_at_least, dbp_mmhg, dbp_phase,
    dbp_change_rest_mmhg, dbp_upper_mmhg, dbp_k4_mmhg, dbp_k5_mmhg, arm, arm_support, arm_below_heart_cm, role, pair_seq,
    inflated_to_mmhg, deflation_mmhg_per_s, deflation_per_s_source, deflation_mmhg_per_beat,
    deflation_per_beat_source, deflation_between_mmhg_per_s, pump_started_at, last_sound_at, cuff_up,
    first_sound_due, window_closes, aims_at, in_window, in_window_note, rpe, missed_reason,
    dbp_next_load, gauge_step_mmhg, sbp_rest_mmhg, loaded,
    greatest(0, seconds_between(started_at, coalesce(pump_started_at, measured_at))) as rest_before_s,
    arm_before, k1_lowest_before, k1_highest_before, released_before
from before
join (select study, test_id, gauge_step_mmhg from test_opened) using (study, test_id)
left join (select study, test_id, sbp_rest_mmhg from rest_values) using (study, test_id)
join (select study, test_id, reading_id, loaded, started_at from readings) using (study, test_id, reading_id)
join measures using (study, test_id, reading_id)
