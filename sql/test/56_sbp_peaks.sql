-- sbp_peaks: one row a test with a loaded stage and a reading: its systolic at the end of exercise.
-- inputs: measures, exercise_end.
-- sbp_peak: the last of exercise if at most 90 s before its end, else the first within 30 s after.
-- A lower bound stands here with its pressure, and `_at_least` says so; of the highest also where a
-- later reading is one.  mmHg; rate_pressure_product_peak mmHg*bpm.
with exercise_readings as (
    select study, test_id, measured_at, reading_id, sbp_mmhg, rate_pressure_product, used, k1_at_least, loaded,
        seconds_between(measured_at, exercise_end_at) as before_end_s
    from (
        select study, test_id, measured_at, reading_id, sbp_mmhg, rate_pressure_product, used, k1_at_least,
            phase in ('warmup', 'exercise') as loaded
        from measures
        -- the note says lower_bound only where nothing else is against the reading
        where used or used_note = 'lower_bound'
    )
    join exercise_end using (study, test_id)
),
pressures as (
    select study, test_id,
        arg_max({sbp_mmhg: sbp_mmhg, at_least: k1_at_least, reading_id: reading_id, before_end_s: before_end_s},
            (measured_at, reading_id)) filter (where loaded and before_end_s >= 0) as last_one,
        arg_max({sbp_mmhg: sbp_mmhg, measured_at: measured_at, reading_id: reading_id},
            (sbp_mmhg, measured_at, reading_id))
            filter (where loaded) as highest,
        max(measured_at) filter (where loaded and k1_at_least) as last_bound_at,
        arg_min({sbp_mmhg: sbp_mmhg, at_least: k1_at_least, reading_id: reading_id}, (measured_at, reading_id))
            filter (where before_end_s < 0 and before_end_s >= -30) as immediate,
        max(rate_pressure_product) filter (where used) as rate_pressure_product_peak
    from exercise_readings
    group by study, test_id
),
chosen as (
    select *, coalesce(last_one.before_end_s <= 90, false) as is_last from pressures
)
select study, test_id,
    last_one.sbp_mmhg as sbp_last_exercise_mmhg, last_one.at_least as sbp_last_exercise_at_least,
    highest.sbp_mmhg as sbp_max_exercise_mmhg,
    case when highest is not null then coalesce(last_bound_at >= highest.measured_at, false) end
        as sbp_max_exercise_at_least,
    highest.reading_id as sbp_max_exercise_reading_id,
    immediate.sbp_mmhg as sbp_immediate_mmhg, immediate.at_least as sbp_immediate_at_least,
    case when is_last then last_one.sbp_mmhg else immediate.sbp_mmhg end as sbp_peak_mmhg,
    case when is_last then last_one.at_least else immediate.at_least end as sbp_peak_at_least,
    case when is_last then 'last_exercise' when immediate is not null then 'immediate' end as sbp_peak_source,
    case when is_last then last_one.reading_id else immediate.reading_id end as sbp_peak_reading_id,
    rate_pressure_product_peak
from chosen
