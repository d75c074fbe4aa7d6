-- summary: one row a test.
-- inputs: test_opened, test_closed, journal_end, rest_values, exercise_end, hr_peaks, sbp_peaks, counts, amended.
with corrected as (
    select study, test_id,
        string_agg(
            target_seq || ' ' || field || ': ' || coalesce(original, 'null') || ' -> ' || coalesce(value, 'null')
                || ' (' || "by" || ', ' || strftime(event_time, '%Y-%m-%dT%H:%M:%SZ') || ', ' || reason || ')',
            '; ' order by seq
        ) as amendments
    from amended
    group by study, test_id
)
select test_opened.study, test_opened.test_id, participant, visit, purpose, intent, anchor as opened_at,
    timezone, mode, age_years, sex, height_cm, mass_kg, arm_circumference_cm, medication, pacemaker,
    ergometer_posture, observer, bladder_length_cm, bladder_width_cm, gauge_step_mmhg, gauge_checked_on,
    has_protocol, journal_end.closed, outcome, reason as end_reason, stopped_by,
    seconds_between(anchor, as_of) as recorded_s,
    exercise_end_at, exercise_end_source,
    sbp_rest_mmhg, sbp_rest_n, sbp_rest_spread_mmhg, dbp_rest_mmhg, dbp_rest_phase, dbp_rest_note,
    hr_rest_bpm, rest_position, rest_arm,
    case when closed then stages_loaded end as stages_loaded, stages_ridden, watts_highest_stage,
    hr_peak_bpm, hr_peak_method,
    sbp_last_exercise_mmhg, sbp_last_exercise_at_least, sbp_max_exercise_mmhg, sbp_max_exercise_at_least,
    sbp_immediate_mmhg, sbp_immediate_at_least, sbp_peak_mmhg, sbp_peak_at_least, sbp_peak_source,
    rate_pressure_product_peak,
    readings_due, readings_taken,
    readings_used, readings_in_window,
    readings_outside_window,
    readings_missed, missed_by_reason,
    readings_void, prompts_superseded,
    readings_k4 / nullif(diastolics_used, 0) as k4_share,
    samples_n, lines_rejected, clock_offsets,
    worst_flag,
    flags_stop, flags_caution,
    flags_check, flags_note,
    amendments, software, rules_digest,
    nullif(concat_ws(' ',
        case when sbp_rest_mmhg is null then 'sbp_rest_mmhg=no_rest_reading' end,
        case when sbp_rest_mmhg is not null and hr_rest_bpm is null then 'hr_rest_bpm=no_sample' end,
        case when hr_peak_bpm is null then 'hr_peak_bpm=no_sample' end,
        case when sbp_last_exercise_mmhg is null then 'sbp_last_exercise_mmhg=no_reading' end,
        case when sbp_max_exercise_mmhg is null then 'sbp_max_exercise_mmhg=no_reading' end,
        case when sbp_immediate_mmhg is null then 'sbp_immediate_mmhg=no_reading' end,
        case when sbp_peak_mmhg is null then 'sbp_peak_mmhg=no_reading_near_the_end' end,
        case when rate_pressure_product_peak is null then 'rate_pressure_product_peak=no_reading' end,
        case when exercise_end_at is null then 'exercise_end_at=no_loaded_stage' end,
        case when watts_highest_stage is null then case when exercise_end_at is null
            then 'watts_highest_stage=no_loaded_stage' else 'watts_highest_stage=no_load' end end,
        case when stages_ridden is null then 'stages_ridden=no_stage' end,
        case when diastolics_used = 0 then 'k4_share=no_diastolic' end,
        case when not closed then 'outcome=open' end
    ), '') as missing
from test_opened
join journal_end using (study, test_id)
left join test_closed using (study, test_id)
left join exercise_end using (study, test_id)
left join rest_values using (study, test_id)
left join hr_peaks using (study, test_id)
left join sbp_peaks using (study, test_id)
left join counts using (study, test_id)
left join corrected using (study, test_id)
