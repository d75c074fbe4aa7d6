-- measures: one row a reading taken, missed or void, as published in readings.parquet.
-- inputs: readings, loads, times, dbp_loads, derived, rest_values, stage_values, amended, test_opened.
-- Changes are from the rest values and from the representing reading of the nearest earlier
-- stage that has one; null across rest to recovery; diastolic, mean and pulse pressure only
-- within one diastolic phase.
-- `missing` names why values are null, as `column=code` pairs; nulls that follow from a null
-- input are explained by `needs` in columns.toml.
with earlier as (
    select readings.study, readings.test_id, readings.reading_id,
        stage_values.stage_index as earlier_stage_index,
        stage_values.sbp_mmhg as earlier_sbp_mmhg, stage_values.dbp_mmhg as earlier_dbp_mmhg,
        stage_values.dbp_phase as earlier_dbp_phase, stage_values.map_mmhg as earlier_map_mmhg,
        stage_values.pulse_pressure_mmhg as earlier_pulse_pressure_mmhg,
        stage_values.heart_rate_bpm as earlier_heart_rate_bpm, stage_values.watts as earlier_watts
    from (
        select readings.study, readings.test_id, reading_id, readings.phase, max(stage_values.stage_index) as stage_index
        from readings
        join stage_values on stage_values.study = readings.study and stage_values.test_id = readings.test_id
            and stage_values.stage_index < readings.stage_index
        where readings.used and readings.phase <> 'rest'
        group by readings.study, readings.test_id, reading_id, readings.phase
    ) as readings
    join stage_values using (study, test_id, stage_index)
    where not (stage_values.phase = 'rest' and readings.phase = 'recovery')
),
-- the rating beside a reading is an entry of its own
corrected as (
    select readings.study, readings.test_id, reading_id, amended.seq, field, original, value, reason, "by",
        amended.event_time
    from (select study, test_id, reading_id, rpe_seq from readings) as readings
    join amended on amended.study = readings.study and amended.test_id = readings.test_id
        and (target_seq = reading_id or (target_seq = rpe_seq and field in ('rpe', 'rpe_scale')))
),
originals as (
    select study, test_id, reading_id,
        '{' || string_agg('"' || field || '": ' || coalesce(original, 'null'), ', ' order by field) || '}' as originals
    from (select distinct study, test_id, reading_id, field, original from corrected)
    group by study, test_id, reading_id
),
amendments as (
    select study, test_id, reading_id,
        string_agg(
            field || ': ' || coalesce(original, 'null') || ' -> ' || coalesce(value, 'null')
                || ' (' || "by" || ', ' || strftime(event_time, '%Y-%m-%dT%H:%M:%SZ') || ', ' || reason || ')',
            '; ' order by seq
        ) as amendments
    from corrected
    group by study, test_id, reading_id
),
compared as (
    select readings.study, readings.test_id, readings.reading_id, anchor, watts_at_dbp, dbp_next_load, originals, amendments,
        sbp_rest_mmhg, dbp_rest_mmhg, dbp_rest_phase, dbp_rest_note, hr_rest_bpm,
        earlier.* exclude (study, test_id, reading_id),
        used and phase is not null and phase not in ('rest', 'recovery') as compares_with_rest,
        not coalesce(dbp_next_load, false) as at_own_load,
        used and not coalesce(dbp_next_load, false) and dbp_phase = earlier_dbp_phase as same_phase
    from (select study, test_id, reading_id, used, phase, dbp_phase from readings) as readings
    join (select study, test_id, anchor from test_opened) using (study, test_id)
    left join dbp_loads using (study, test_id, reading_id)
    left join earlier using (study, test_id, reading_id)
    left join originals using (study, test_id, reading_id)
    left join amendments using (study, test_id, reading_id)
    left join (
        select study, test_id, sbp_rest_mmhg, dbp_rest_mmhg, dbp_rest_phase, dbp_rest_note, hr_rest_bpm
        from rest_values
    ) using (study, test_id)
)
select readings.study, readings.test_id, readings.reading_id, status, used, used_note, due_seq, stage_index, stage_source, stage_label,
    phase, position, measured_at, seconds_between(anchor, measured_at) as elapsed_s,
    seconds_between(started_at, measured_at) as stage_elapsed_s, entered_s, measured_source, u_time_s,
    k1_mmhg as sbp_mmhg, k1_at_least, dbp_mmhg, dbp_phase, dbp_upper_mmhg, dbp_k4_mmhg, dbp_k5_mmhg, heard_to_mmhg,
    palpated_mmhg, arm, arm_support, arm_below_heart_cm, observer, role, pair_seq, clarity, inflated_to_mmhg,
    deflation_mmhg_per_s, deflation_per_s_source, deflation_mmhg_per_beat, deflation_per_beat_source,
    deflation_between_mmhg_per_s, rate_mmhg_per_s, rate_source,
    pump_started_at, times.last_sound_at as last_sound_at, last_sound_source, dbp_at, released_at,
    cuff_up, first_sound_due, window_closes, aims_at, fits, in_window, in_window_note, in_window_source,
    watts, watts_n, watts_sd, watts_age_s, watts_source, watts_note,
    cadence_rpm, cadence_n, cadence_sd_rpm, cadence_age_s, cadence_source, cadence_note,
    heart_rate_bpm, heart_rate_n, heart_rate_sd_bpm, heart_rate_age_s, heart_rate_source, heart_rate_note,
    load_window_s, watts_at_dbp, coalesce(dbp_next_load, false) as dbp_next_load, rpe, rpe_scale,
    pulse_pressure_mmhg, map_mmhg, map_method, rate_pressure_product, sv_index_au,
    vo2_est_ml_kg_min, vo2_method, vo2_valid, vo2_note, mets_est,
    hr_max_pred_bpm, hr_max_method, hr_max_note, hr_percent_max,
    case when hr_max_pred_bpm > hr_rest_bpm + 20
        then 100 * (heart_rate_bpm - hr_rest_bpm) / (hr_max_pred_bpm - hr_rest_bpm)
    end as hr_percent_reserve,
    case when compares_with_rest then k1_mmhg - sbp_rest_mmhg end as sbp_change_rest_mmhg,
    case when compares_with_rest and at_own_load and dbp_phase = dbp_rest_phase
        then dbp_mmhg - dbp_rest_mmhg end as dbp_change_rest_mmhg,
    case when dbp_change_rest_mmhg is not null
        then sv_index_au - (sbp_rest_mmhg - dbp_rest_mmhg) / nullif(sbp_rest_mmhg + dbp_rest_mmhg, 0)
    end as sv_index_change_rest_au,
    case when compares_with_rest then heart_rate_bpm - hr_rest_bpm end as hr_change_rest_bpm,
    earlier_stage_index, stage_index - earlier_stage_index - 1 as stages_between,
    watts - earlier_watts as watts_change_stage,
    case when used then k1_mmhg - earlier_sbp_mmhg end as sbp_change_stage_mmhg,
    case when same_phase then dbp_mmhg - earlier_dbp_mmhg end as dbp_change_stage_mmhg,
    case when same_phase then map_mmhg - earlier_map_mmhg end as map_change_stage_mmhg,
    case when same_phase then pulse_pressure_mmhg - earlier_pulse_pressure_mmhg end
        as pulse_pressure_change_stage_mmhg,
    case
        when not used then null
        when not at_own_load then 'dbp_next_load'
        when dbp_mmhg is null then null
        when earlier_dbp_phase is not null and earlier_dbp_phase <> dbp_phase then 'phase_differs'
        when compares_with_rest and (dbp_rest_phase <> dbp_phase or dbp_rest_note = 'phase_differs')
            then 'phase_differs'
    end as dbp_change_note,
    attempted, missed_reason, note, originals, amendments,
    nullif(concat_ws(' ',
        case when measured_source is not null and k1_mmhg is null then 'sbp_mmhg=not_heard' end,
        case when measured_source is not null and times.last_sound_at is null then 'last_sound_at=no_systolic' end,
        case when measured_source is not null and dbp_mmhg is null then 'dbp_mmhg=diastolic_unresolved' end,
        case when k1_at_least then 'pulse_pressure_mmhg=lower_bound map_mmhg=lower_bound rate_pressure_product=lower_bound' end,
        case when stage_index is null then 'stage_index=no_stage' end,
        case when position is null then 'position=no_stage' end,
        case when status <> 'missed' and stage_index is not null and used and phase <> 'rest'
            and earlier_stage_index is null then 'earlier_stage_index=no_earlier_reading' end,
        case when compares_with_rest and sbp_rest_mmhg is null then 'sbp_change_rest_mmhg=no_rest_reading' end,
        case when hr_percent_reserve is null and heart_rate_bpm is not null and hr_max_pred_bpm is not null
            then case when hr_rest_bpm is null then 'hr_percent_reserve=no_rest_heart_rate'
                else 'hr_percent_reserve=reserve_under_20' end end,
        case when measured_source = 'marked' and last_sound_source = 'marked'
            and deflation_between_mmhg_per_s is null then 'deflation_between_mmhg_per_s=no_fall' end,
        case when dbp_mmhg is not null and watts_source is not null and watts_at_dbp is null
            then 'watts_at_dbp=no_sample' end,
        case when pulse_pressure_mmhg is not null and map_mmhg is null then 'map_mmhg=no_heart_rate' end,
        case when compares_with_rest and dbp_mmhg is not null and at_own_load and dbp_rest_mmhg is null
            then 'dbp_change_rest_mmhg=no_rest_diastolic' end,
        case when compares_with_rest and heart_rate_bpm is not null and hr_rest_bpm is null
            then 'hr_change_rest_bpm=no_rest_heart_rate' end,
        case when earlier_stage_index is not null and watts is not null and earlier_watts is null
            then 'watts_change_stage=no_earlier_load' end,
        case when earlier_stage_index is not null and dbp_mmhg is not null and at_own_load
            and earlier_dbp_phase is null then 'dbp_change_stage_mmhg=no_earlier_diastolic' end,
        case when dbp_change_stage_mmhg is not null and map_mmhg is not null and earlier_map_mmhg is null
            then 'map_change_stage_mmhg=no_earlier_heart_rate' end
    ), '') as missing
from readings
join compared using (study, test_id, reading_id)
left join loads using (study, test_id, reading_id)
left join times using (study, test_id, reading_id)
left join derived using (study, test_id, reading_id)
