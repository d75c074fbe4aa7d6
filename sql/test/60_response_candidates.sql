-- response_candidates: one row a test and measure of its response that a flag could be raised for.
-- inputs: seated_rests, rest_classes, rest_values, exercise_end, sbp_peaks, sbp_rises, measures,
-- heart_rate_recovery, hr_peaks, stages, journal_end, setting.
-- {code, quantity, observed, detail}, judged in 61_flags, once a test; observed null: nothing to judge.
-- About the reading where there is one, else about the stage in force when the measure was whole.
-- Closed tests only.  Before, another reading may still come, and nobody reads notes during a test.
with begun as (
    select journal_end.study, journal_end.test_id
    from journal_end
    where closed
),
finished as (
    select journal_end.study, journal_end.test_id, exercise_end_at
    from journal_end
    join exercise_end using (study, test_id)
    where closed
),
peaks as (
    select measures.study, measures.test_id, reading_id, stage_index, phase,
        greatest(measured_at, exercise_end_at) as flag_at, sbp_mmhg, k1_at_least,
        case when k1_at_least then 'at least' end as bound, sbp_change_rest_mmhg, dbp_change_rest_mmhg,
        reading_id = sbp_peak_reading_id as is_peak, reading_id = sbp_max_exercise_reading_id as is_highest
    from finished
    join sbp_peaks using (study, test_id)
    join measures on measures.study = finished.study and measures.test_id = finished.test_id
        and reading_id in (sbp_peak_reading_id, sbp_max_exercise_reading_id)
),
-- what is measured over a time after exercise is whole when that time is over
whole as (
    select finished.study, finished.test_id, about, plus_s(exercise_end_at, after_s) as whole_at
    from finished
    cross join (
        select unnest([
            {about: 'peak', after_s: 15}, {about: '1min', after_s: 65}, {about: '2min', after_s: 125},
            {about: '3min', after_s: 180 + mark_tolerance_s}
        ], recursive := true)
        from setting
    )
),
staged as (
    select whole.study, whole.test_id, about, whole_at, stage_seq, stage_index, phase
    from whole
    asof join stages on stages.study = whole.study and stages.test_id = whole.test_id
        and whole_at > stages.opens_at
)
select seated_rests.study, seated_rests.test_id, stage_seq as target_seq, stage_index, 'rest' as phase,
    null::timestamp as flag_at, unnest([
    {code: 'resting_class', quantity: 'sbp_esc', observed: sbp_mmhg, detail: 'class ' || rest_class_esc},
    {code: 'resting_class', quantity: 'dbp_esc', observed: dbp_mmhg, detail: 'class ' || rest_class_esc},
    {code: 'resting_class', quantity: 'sbp_acc_aha', observed: sbp_mmhg, detail: 'class ' || rest_class_acc_aha},
    {code: 'resting_class', quantity: 'dbp_acc_aha', observed: dbp_mmhg, detail: 'class ' || rest_class_acc_aha}
]) as one
from seated_rests
join begun using (study, test_id)
join rest_classes using (study, test_id)
where has_class
union all
select study, test_id, rest_stage_seq, rest_stage_index, 'rest', null,
    {code: 'resting_heart_rate_high', quantity: 'bpm', observed: hr_rest_bpm, detail: 'mean at the resting readings'}
from rest_values
join begun using (study, test_id)
union all
select peaks.study, peaks.test_id, reading_id, stage_index, phase, flag_at, unnest([
    {code: 'exaggerated_response', quantity: 'peak_sbp', observed: case when is_peak then sbp_mmhg end,
     detail: bound},
    {code: 'exaggerated_response', quantity: 'highest_sbp', observed: case when is_highest then sbp_mmhg end,
     detail: bound},
    {code: 'systolic_rise_low', quantity: 'rise', observed: case when is_peak then sbp_change_rest_mmhg end,
     detail: 'above rest'},
    {code: 'pulse_pressure_reserve_low', quantity: 'reserve',
     observed: case when is_peak then sbp_change_rest_mmhg - dbp_change_rest_mmhg end, detail: 'above rest'},
    {code: 'systolic_rise_per_met_high', quantity: 'rise',
     observed: case when is_peak then sbp_rise_mmhg_per_met end, detail: sbp_rise_note}
])
from peaks
left join sbp_rises using (study, test_id)
union all
select staged.study, staged.test_id, stage_seq, stage_index, phase, whole_at, unnest([
    {code: 'chronotropic_index_low', quantity: 'index',
     observed: case when about = 'peak' then chronotropic_index end, detail: chronotropic_note},
    {code: 'peak_heart_rate_low', quantity: 'percent_max',
     observed: case when about = 'peak' then 100 * hr_peak_bpm / hr_max_pred_bpm end, detail: 'of the predicted maximum'},
    {code: 'hr_recovery_slow', quantity: 'fall_1min',
     observed: case when about = '1min' then hr_recovery_1min_bpm end, detail: recovery_mode || ' recovery'},
    {code: 'hr_recovery_slow', quantity: 'fall_2min',
     observed: case when about = '2min' then hr_recovery_2min_bpm end, detail: recovery_mode || ' recovery'},
    {code: 'systolic_recovery_slow', quantity: 'ratio_3min_1min',
     observed: case when about = '3min' then sbp_recovery_3min_1min end, detail: '3 min to 1 min'},
    {code: 'systolic_recovery_slow', quantity: 'ratio_3min_peak',
     observed: case when about = '3min' then sbp_recovery_3min_peak end, detail: '3 min to peak'}
])
from staged
left join heart_rate_recovery using (study, test_id)
left join hr_peaks using (study, test_id)
left join sbp_rises using (study, test_id)
