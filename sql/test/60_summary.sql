-- summary: one row a test.
-- inputs: test_opened, test_closed, journal_end, measures, stage_loads, rest_values, exercise_end,
-- samples, sources, flags, prompt_superseded, reading_due, line_rejected, setting.
-- hr_peak_bpm: highest 10-s mean over (t - 10 s, t] with three samples or more, from first load to
-- 15 s after the end of exercise; of slower logs the highest median of three samples.
-- sbp_peak: the last of exercise if at most 90 s before its end, else the first within 30 s after.
with heart_rates as (
    select samples.study, samples.test_id, sampled_at, epoch_us(sampled_at) as at_us, samples.source, seq,
        heart_rate_bpm, heart_rate_rank
    from samples
    join exercise_end on exercise_end.study = samples.study and exercise_end.test_id = samples.test_id
    where heart_rate_counts and sampled_at >= first_load_at and sampled_at <= exercise_end_at + to_seconds(15)
    qualify heart_rate_rank = min(heart_rate_rank) over (partition by samples.study, samples.test_id)
),
rolled as (
    select study, test_id,
        case when count(*) over ten_s >= 3 then avg(heart_rate_bpm) over ten_s end as mean_10_s,
        case when count(*) over three = 3 then median(heart_rate_bpm) over three end as median_of_three
    from heart_rates
    window ten_s as (partition by study, test_id order by at_us range between 9999999 preceding and current row),
        three as (partition by study, test_id order by at_us rows between 2 preceding and current row)
),
hr_peaks as (
    select study, test_id, coalesce(max(mean_10_s), max(median_of_three)) as hr_peak_bpm,
        case when max(mean_10_s) is not null then 'mean_10_s'
            when max(median_of_three) is not null then 'median_of_three' end as hr_peak_method
    from rolled
    group by study, test_id
),
exercise_readings as (
    select measures.study, measures.test_id, measured_at, reading_id, sbp_mmhg, rate_pressure_product, used, phase,
        k1_at_least, exercise_end_at,
        seconds_between(measured_at, exercise_end_at) as before_end_s
    from measures
    join exercise_end using (study, test_id)
    where status = 'taken' and role = 'primary'
),
pressures as (
    select study, test_id,
        arg_max(sbp_mmhg, (measured_at, reading_id)) filter (
            where used and phase in ('warmup', 'exercise') and before_end_s >= 0) as sbp_last_exercise_mmhg,
        min(before_end_s) filter (
            where used and phase in ('warmup', 'exercise') and before_end_s >= 0) as last_before_end_s,
        max(sbp_mmhg) filter (where used and phase in ('warmup', 'exercise')) as sbp_max_exercise_mmhg,
        arg_min(sbp_mmhg, (measured_at, reading_id)) filter (
            where used and before_end_s < 0 and before_end_s >= -30) as sbp_immediate_mmhg,
        max(rate_pressure_product) filter (where used) as rate_pressure_product_peak
    from exercise_readings
    group by study, test_id
),
peaks as (
    select *,
        case when last_before_end_s <= 90 then sbp_last_exercise_mmhg else sbp_immediate_mmhg end as sbp_peak_mmhg,
        case when last_before_end_s <= 90 then 'last_exercise'
            when sbp_immediate_mmhg is not null then 'immediate' end as sbp_peak_source
    from pressures
),
counts as (
    select study, test_id,
        count(*) filter (where status = 'taken') as readings_taken,
        count(*) filter (where status = 'missed') as readings_missed,
        count(*) filter (where status = 'void') as readings_void,
        count(*) filter (where used) as readings_used,
        count(*) filter (where in_window) as readings_in_window,
        count(*) filter (where not in_window) as readings_outside_window,
        count(*) filter (where dbp_phase = 'K4' and used) as readings_k4,
        count(*) filter (where dbp_phase is not null and used) as diastolics_used
    from measures
    group by study, test_id
),
missed as (
    select study, test_id, string_agg(missed_reason || '=' || n, ' ' order by missed_reason) as missed_by_reason
    from (
        select study, test_id, missed_reason, count(*) as n
        from measures where status = 'missed' group by study, test_id, missed_reason
    )
    group by study, test_id
),
prompts as (
    select study, test_id, count(*) as readings_due, count(superseded_seq) as prompts_superseded
    from (select study, test_id, seq from reading_due)
    left join (select distinct study, test_id, due_seq as seq, due_seq as superseded_seq from prompt_superseded)
        using (study, test_id, seq)
    group by study, test_id
),
ridden as (
    select study, test_id, count(*) filter (where loaded) as stages_loaded,
        max(watts_mean) filter (where loaded and ridden_s >= 60) as watts_highest_stage,
        count(*) as stages_ridden
    from stage_loads
    group by study, test_id
),
worst as (
    select study, test_id,
        list_sort(list(array_position(['stop', 'caution', 'check', 'note'], level)))[1] as severity,
        count(*) filter (where level = 'stop') as flags_stop,
        count(*) filter (where level = 'caution') as flags_caution,
        count(*) filter (where level = 'check') as flags_check,
        count(*) filter (where level = 'note') as flags_note
    from flags
    where state <> 'withdrawn'
    group by study, test_id
),
rejected as (
    select study, test_id, count(*) as lines_rejected from line_rejected group by study, test_id
),
clocks as (
    select study, test_id,
        string_agg(name || '=' || format('{:.3f}', clock_offset_s) || ' s ' || clock_method, '; ' order by name)
            as clock_offsets
    from sources
    group by study, test_id
),
sampled as (
    select study, test_id, count(*) as samples_n from sample group by study, test_id
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
    sbp_last_exercise_mmhg, sbp_max_exercise_mmhg, sbp_immediate_mmhg, sbp_peak_mmhg, sbp_peak_source,
    rate_pressure_product_peak,
    coalesce(readings_due, 0) as readings_due, coalesce(readings_taken, 0) as readings_taken,
    coalesce(readings_used, 0) as readings_used, coalesce(readings_in_window, 0) as readings_in_window,
    coalesce(readings_outside_window, 0) as readings_outside_window,
    coalesce(readings_missed, 0) as readings_missed, missed_by_reason,
    coalesce(readings_void, 0) as readings_void, coalesce(prompts_superseded, 0) as prompts_superseded,
    readings_k4 / nullif(diastolics_used, 0) as k4_share,
    coalesce(samples_n, 0) as samples_n, coalesce(lines_rejected, 0) as lines_rejected, clock_offsets,
    ['stop', 'caution', 'check', 'note'][severity] as worst_flag,
    coalesce(flags_stop, 0) as flags_stop, coalesce(flags_caution, 0) as flags_caution,
    coalesce(flags_check, 0) as flags_check, coalesce(flags_note, 0) as flags_note,
    software, rules_digest,
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
        case when coalesce(diastolics_used, 0) = 0 then 'k4_share=no_diastolic' end,
        case when not closed then 'outcome=open' end
    ), '') as missing
from test_opened
join journal_end using (study, test_id)
left join test_closed using (study, test_id)
left join exercise_end using (study, test_id)
left join rest_values using (study, test_id)
left join ridden using (study, test_id)
left join hr_peaks using (study, test_id)
left join peaks using (study, test_id)
left join counts using (study, test_id)
left join missed using (study, test_id)
left join prompts using (study, test_id)
left join worst using (study, test_id)
left join rejected using (study, test_id)
left join clocks using (study, test_id)
left join sampled using (study, test_id)
