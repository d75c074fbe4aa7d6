-- derived: one row a reading taken: what follows from that one reading and its load.
-- inputs: readings, loads, times, dbp_loads, stages, test_opened, setting.
-- mmHg, mmHg*bpm, mL/kg/min.  Methods by the settings, each published as an id:
--   map_method   third 1/3; two_fifths (Bos 2007); half; heart_rate 0.33 + 0.0012 HR (Moran 1995,
--                from memory, primary not seen)
--   vo2_method   acsm 10.8 W/kg + 7 (ACSM); acsm_old 12.24 W/kg + 3.5 (Franklin 2000);
--                maximal_cycle 1.74 * 6.12 W/kg + 3.5 (Kokkinos 2018)
--   hr_max_method tanaka 208 - 0.7 age (2001); fox 220 - age; gellish 206.9 - 0.67 age (2007,
--                coefficients from memory); gulati 206 - 0.88 age (2010, women)
with gathered as (
    select readings.study, readings.test_id, readings.reading_id, readings.status, readings.phase,
        readings.loaded, readings.is_ramp, readings.k1_mmhg, readings.k1_at_least, readings.dbp_mmhg,
        readings.measured_at, readings.measured_source, readings.due_seq, readings.stage_index,
        readings.cuff_up, readings.first_sound_due, readings.window_closes, readings.aims_at, readings.fits,
        readings.inflated_to_mmhg, readings.started_at, readings.role,
        loads.watts, loads.watts_note, loads.heart_rate_bpm, times.last_sound_at, times.last_sound_source,
        times.pump_started_at, test_opened.mass_kg, test_opened.age_years, test_opened.medication,
        map_method, hr_max_method, vo2_method, mark_tolerance_s, window_early_s, window_late_s
    from readings
    join (select study, test_id, mass_kg, age_years, medication from test_opened) as test_opened
        using (study, test_id)
    join times using (study, test_id, reading_id)
    left join loads using (study, test_id, reading_id)
    cross join setting
),
same_stage_prompts as (
    select distinct study, test_id, stage_index from reading_due
),
factored as (
    select gathered.*,
        same_stage_prompts.stage_index is not null as stage_has_prompt,
        case when not k1_at_least then k1_mmhg end as sbp_exact,
        case map_method
            when 'third' then 1.0 / 3
            when 'two_fifths' then 0.4
            when 'half' then 0.5
            when 'heart_rate' then 0.33 + 0.0012 * heart_rate_bpm
        end as map_factor,
        hr_max_predicted(hr_max_method, age_years) as hr_max_pred_bpm,
        case
            when age_years is null then 'no_age'
            when age_years < 18 then 'under_18'
            when contains(medication, 'beta_blocker') then 'beta_blocker'
            when medication is null or medication = 'unknown' then 'medication_unknown'
        end as hr_max_note,
        case
            when phase = 'rest' then 3.5
            when phase in ('warmup', 'exercise') and watts < 0.5 then 7.0
            when phase in ('warmup', 'exercise') then vo2_loaded(vo2_method, watts, mass_kg)
        end as vo2_est_ml_kg_min,
        case
            when phase = 'recovery' then 'recovery'
            when phase is null then 'no_stage'
            when phase = 'rest' then null
            when watts is null then 'no_load'
            when watts >= 0.5 and mass_kg is null then 'no_mass'
            when watts < 50 or watts > 200 then 'outside_50_200_w'
            when is_ramp then 'ramp'
            when seconds_between(started_at, measured_at) < 120 then 'under_120_s'
            when age_years is null then 'no_age'
            when age_years < 18 then 'under_18'
        end as vo2_note
    from gathered
    left join same_stage_prompts using (study, test_id, stage_index)
),
windowed as (
    select *,
        case
            when measured_source = 'estimated' or role = 'second' then null
            when due_seq is null or window_closes is null then case when stage_has_prompt then false end
            when aims_at in ('mark', 'immediate')
                -- a prompt that had to come late moves its own first sound, not the moment that was wanted
                then abs(seconds_between(first_sound_due, measured_at)) <= mark_tolerance_s
                    and measured_at <= window_closes
            when fits = 'systolic'
                then coalesce(pump_started_at >= plus_s(cuff_up, -window_early_s), true)
                    and measured_at <= window_closes
            else coalesce(pump_started_at >= plus_s(cuff_up, -window_early_s), true)
                and coalesce(last_sound_at, measured_at) <= plus_s(window_closes, window_late_s)
        end as in_window,
        case
            when role = 'second' then 'second_observer'
            when measured_source = 'estimated' then 'time_estimated'
            when (due_seq is null or window_closes is null) and not stage_has_prompt then 'no_prompt'
            when (due_seq is null or window_closes is null) then 'answers_no_prompt'
        end as in_window_note
    from factored
)
select study, test_id, reading_id,
    case when sbp_exact is not null then sbp_exact - dbp_mmhg end as pulse_pressure_mmhg,
    case when sbp_exact is not null then dbp_mmhg + map_factor * (sbp_exact - dbp_mmhg) end as map_mmhg,
    map_method, map_factor,
    case when sbp_exact is not null then (sbp_exact - dbp_mmhg) / nullif(sbp_exact + dbp_mmhg, 0) end as sv_index_au,
    sbp_exact * heart_rate_bpm as rate_pressure_product,
    vo2_est_ml_kg_min, vo2_method, vo2_note is null and vo2_est_ml_kg_min is not null as vo2_valid, vo2_note,
    vo2_est_ml_kg_min / 3.5 as mets_est,
    hr_max_pred_bpm, hr_max_method, hr_max_note,
    100 * heart_rate_bpm / hr_max_pred_bpm as hr_percent_max,
    in_window, in_window_note,
    case when in_window is not null and due_seq is not null then last_sound_source end as in_window_source
from windowed
