-- sbp_peaks: one row a test with a loaded stage and a reading: its systolic at the end of exercise.
-- inputs: measures, exercise_end.
-- sbp_peak: the last of exercise if at most 90 s before its end, else the first within 30 s after.
-- mmHg; rate_pressure_product_peak mmHg*bpm.
with exercise_readings as (
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
)
select *,
    case when last_before_end_s <= 90 then sbp_last_exercise_mmhg else sbp_immediate_mmhg end as sbp_peak_mmhg,
    case when last_before_end_s <= 90 then 'last_exercise'
        when sbp_immediate_mmhg is not null then 'immediate' end as sbp_peak_source
from pressures
