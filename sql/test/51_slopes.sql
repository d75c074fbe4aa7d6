-- slopes: one row a test: how steep systolic pressure rises with load, mmHg/W.
-- inputs: measures, stage_values, uncertainty, test_opened, t_quantiles, slope_norms, setting.
-- Least squares of k1 on watts, the last used reading of each stage of phase exercise that has a
-- load.  Loads are one class when less than `slope_class_watts` apart (less the noise of load).
-- se_fit from the residuals, se_reading from u_sbp through the weights; the larger one stands.
with points as (
    select measures.study, measures.test_id, measured_at, reading_id, watts, measures.sbp_mmhg, u_sbp_mmhg,
        measures.position, arm,
        watts >= lag(watts) over (partition by measures.study, measures.test_id order by watts, reading_id)
            + slope_class_watts - load_noise_watts as is_next_class
    from measures
    join (select study, test_id, last_reading_id as reading_id from stage_values where phase = 'exercise')
        using (study, test_id, reading_id)
    join (select study, test_id, reading_id, u_sbp_mmhg from uncertainty) using (study, test_id, reading_id)
    cross join (select slope_class_watts, load_noise_watts from setting)
    where watts is not null
),
centred as (
    select study, test_id, count(*) as n, count(*) filter (where is_next_class) + 1 as classes,
        max(watts) - min(watts) as span_watts,
        count(distinct position) > 1 or count(distinct arm) > 1 as differs,
        avg(watts order by measured_at, reading_id) as mean_watts,
        avg(sbp_mmhg order by measured_at, reading_id) as mean_mmhg
    from points
    group by study, test_id
),
summed as (
    select study, test_id,
        sum((watts - mean_watts) * (watts - mean_watts) order by measured_at, reading_id) as sxx,
        sum((watts - mean_watts) * (sbp_mmhg - mean_mmhg) order by measured_at, reading_id) / nullif(sxx, 0) as slope,
        sqrt(sum((watts - mean_watts) * (watts - mean_watts) * u_sbp_mmhg * u_sbp_mmhg
            order by measured_at, reading_id)) / nullif(sxx, 0) as se_reading
    from points
    join centred using (study, test_id)
    group by study, test_id
),
fitted as (
    select study, test_id,
        sum(
            (sbp_mmhg - mean_mmhg - slope * (watts - mean_watts)) * (sbp_mmhg - mean_mmhg - slope * (watts - mean_watts))
            order by measured_at, reading_id
        ) as sse
    from points
    join centred using (study, test_id)
    join summed using (study, test_id)
    group by study, test_id
),
judged as (
    select test_opened.study, test_opened.test_id, sex, age_years, n, slope, se_reading, slope_norm,
        sqrt(sse / nullif(n - 2, 0) / nullif(sxx, 0)) as se_fit,
        case
            when readings_n is null then 'no_reading'
            when n is null then 'no_load'
            when differs then 'posture_or_arm_differs'
            when classes < slope_min_loads or span_watts < slope_span_watts - load_noise_watts then 'few_loads'
        end as sbp_slope_note
    from test_opened
    cross join (
        select slope_norm, slope_min_loads, slope_span_watts, load_noise_watts from setting
    )
    left join (
        select study, test_id, count(*) as readings_n from stage_values where phase = 'exercise'
        group by study, test_id
    ) using (study, test_id)
    left join centred using (study, test_id)
    left join summed using (study, test_id)
    left join fitted using (study, test_id)
)
select study, test_id,
    case when sbp_slope_note is null then slope end as sbp_slope_mmhg_per_w,
    case when sbp_slope_note is null then n end as sbp_slope_n,
    case when sbp_slope_note is null then n - 2 end as sbp_slope_df,
    case when sbp_slope_note is null then se_fit end as sbp_slope_se_fit_mmhg_per_w,
    case when sbp_slope_note is null then se_reading end as sbp_slope_se_reading_mmhg_per_w,
    case when sbp_slope_note is null then greatest(se_fit, se_reading) end as sbp_slope_se_mmhg_per_w,
    sbp_slope_mmhg_per_w - t_975 * sbp_slope_se_mmhg_per_w as sbp_slope_low_mmhg_per_w,
    sbp_slope_mmhg_per_w + t_975 * sbp_slope_se_mmhg_per_w as sbp_slope_high_mmhg_per_w,
    (sbp_slope_mmhg_per_w - norm_mean_mmhg_per_w) / norm_sd_mmhg_per_w as sbp_slope_z,
    judged.slope_norm as sbp_slope_norm, sbp_slope_note
from judged
left join t_quantiles on t_quantiles.df = least(judged.n - 2, 30)
left join slope_norms on slope_norms.slope_norm = judged.slope_norm and slope_norms.sex = judged.sex
    and age_years >= age_min and age_years <= coalesce(age_max, age_years)
