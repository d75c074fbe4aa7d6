-- vo2max_estimates: one row a test: maximal oxygen uptake by extrapolation, mL/kg/min.
-- inputs: stage_loads, test_opened, setting.
-- Least squares of stage_hr on load over the rising exercise stages whose stage_hr lies between
-- `vo2max_hr_min_bpm` and `vo2max_hr_max_share` of the predicted maximum; the oxygen uptake of the load
-- at which that line meets the predicted maximum.  u: `u_hr_max_pred_bpm` in the maximum and
-- `u_stage_hr_bpm` in each stage, through the line; the equations are taken as exact.
with rising as (
    select study, test_id, stage_index, watts_mean as watts, stage_hr_bpm as bpm, coalesce(hr_steady, false) as steady
    from stage_loads
    cross join (select load_noise_watts from setting)
    where phase = 'exercise' and not is_ramp and watts_mean is not null and stage_hr_bpm is not null
    qualify watts_mean > coalesce(max(watts_mean) over (
        partition by study, test_id order by stage_index rows between unbounded preceding and 1 preceding
    ) + load_noise_watts, -1e9)
),
person as (
    select study, test_id, mass_kg, vo2_method, hr_max_predicted(hr_max_method, age_years) as hr_max_bpm,
        vo2max_hr_min_bpm, vo2max_hr_max_share, vo2max_hr_apart_bpm, u_hr_max_pred_bpm, u_stage_hr_bpm,
        case when contains(coalesce(medication, ''), 'beta_blocker') then 'beta_blocker'
            when age_years is null then 'no_age' when age_years < 18 then 'under_18'
            when mass_kg is null then 'no_mass' end as excluded,
        medication is null or contains(medication, 'unknown') as medication_unknown
    from test_opened
    cross join (
        select vo2_method, hr_max_method, vo2max_hr_min_bpm, vo2max_hr_max_share, vo2max_hr_apart_bpm,
            u_hr_max_pred_bpm, u_stage_hr_bpm
        from setting
    )
),
used as (
    select study, test_id, stage_index, watts, bpm, steady
    from rising
    join person using (study, test_id)
    where bpm >= vo2max_hr_min_bpm and bpm <= vo2max_hr_max_share * hr_max_bpm
),
centred as (
    select study, test_id, count(*) as n, max(bpm) - min(bpm) as apart_bpm, bool_and(steady) as all_steady,
        avg(watts order by stage_index) as mean_watts, avg(bpm order by stage_index) as mean_bpm
    from used
    group by study, test_id
),
fitted as (
    select study, test_id,
        sum((watts - mean_watts) * (watts - mean_watts) order by stage_index) as sxx,
        sum((watts - mean_watts) * (bpm - mean_bpm) order by stage_index) / nullif(sxx, 0) as slope
    from used
    join centred using (study, test_id)
    group by study, test_id
),
judged as (
    select *, case
            when excluded is not null then excluded
            when n is null or n < 2 then 'few_stages_in_range'
            when apart_bpm < vo2max_hr_apart_bpm then 'stages_close'
            when slope <= 0 then 'hr_not_rising'
        end as reason,
        mean_watts + (hr_max_bpm - mean_bpm) / nullif(slope, 0) as watts_there
    from person
    left join centred using (study, test_id)
    left join fitted using (study, test_id)
)
select study, test_id,
    case when reason is null then vo2_loaded(vo2_method, watts_there, mass_kg) end as vo2max_est_ml_kg_min,
    -- every equation is a straight line: what a watt adds is the same everywhere
    case when reason is null then (vo2_loaded(vo2_method, 1, mass_kg) - vo2_loaded(vo2_method, 0, mass_kg)) / slope
        * sqrt(u_hr_max_pred_bpm * u_hr_max_pred_bpm + u_stage_hr_bpm * u_stage_hr_bpm
            * (1.0 / n + (watts_there - mean_watts) * (watts_there - mean_watts) / sxx))
    end as u_vo2max_est_ml_kg_min,
    case when reason is null then vo2_method end as vo2max_est_method,
    case when reason is null then n end as vo2max_est_n,
    case
        when reason is not null then reason
        when medication_unknown then 'medication_unknown'
        when not all_steady then 'not_steady'
    end as vo2max_est_note
from judged
