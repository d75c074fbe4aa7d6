-- heart_rate_lines: one row a test: heart rate against load, and the loads at 150 and 170 bpm.
-- inputs: stage_loads, test_opened, setting.
-- Least squares of stage_hr on the mean load of the exercise stages that have both and whose load is
-- higher than that of all such stages before, so up to the highest; bpm, W.
with rising as (
    select study, test_id, stage_index, watts_mean, stage_hr_bpm
    from (
        select study, test_id, stage_index, watts_mean, stage_hr_bpm, load_noise_watts,
            max(watts_mean) over (
                partition by study, test_id order by stage_index rows between unbounded preceding and 1 preceding
            ) as highest_before
        from stage_loads
        cross join (select load_noise_watts from setting)
        where phase = 'exercise' and watts_mean is not null and stage_hr_bpm is not null
    )
    where highest_before is null or watts_mean > highest_before + load_noise_watts
),
centred as (
    select study, test_id, count(*) as n, min(stage_hr_bpm) as lowest_bpm, max(stage_hr_bpm) as highest_bpm,
        avg(watts_mean order by stage_index) as mean_watts, avg(stage_hr_bpm order by stage_index) as mean_bpm
    from rising
    group by study, test_id
),
fitted as (
    select study, test_id,
        sum((watts_mean - mean_watts) * (stage_hr_bpm - mean_bpm) order by stage_index)
            / nullif(sum((watts_mean - mean_watts) * (watts_mean - mean_watts) order by stage_index), 0) as slope
    from rising
    join centred using (study, test_id)
    group by study, test_id
),
lines as (
    select test_opened.study, test_opened.test_id, coalesce(n, 0) as hr_line_n, lowest_bpm, highest_bpm,
        case when n >= 2 and slope > 0 then slope end as hr_line_bpm_per_w,
        case when n >= 2 and slope > 0 then mean_bpm - slope * mean_watts end as hr_line_at_0_w_bpm,
        case when n is null or n < 2 then 'few_stages' when slope <= 0 then 'hr_not_rising'
            when n = 2 then 'two_stage' end as hr_line_note,
        hr_max_predicted(hr_max_method, age_years) as hr_max_bpm, hr_line_beyond_bpm,
        contains(coalesce(medication, ''), 'beta_blocker') as on_beta_blocker,
        case
            when age_years is null then 'no_age'
            when age_years < 18 then 'under_18'
            when medication is null or contains(medication, 'unknown') then 'medication_unknown'
        end as mark
    from test_opened
    cross join (select hr_max_method, hr_line_beyond_bpm from setting)
    left join centred using (study, test_id)
    left join fitted using (study, test_id)
),
wanted as (
    select *, (bpm - hr_line_at_0_w_bpm) / hr_line_bpm_per_w as watts_there,
        bpm > highest_bpm or bpm < lowest_bpm as beyond,
        coalesce(bpm > hr_max_bpm, false) as above,
        bpm > highest_bpm + hr_line_beyond_bpm or bpm < lowest_bpm - hr_line_beyond_bpm or watts_there < 0 as far
    from lines
    cross join (select unnest([150, 170]) as bpm)
),
loads_at as (
    select *, on_beta_blocker or above or far as is_out,
        case when not is_out then watts_there end as load_there, case when not is_out then beyond end as is_beyond
    from wanted
)
select at_150.study, at_150.test_id, at_150.hr_line_n, at_150.hr_line_bpm_per_w, at_150.hr_line_at_0_w_bpm,
    at_150.hr_line_note,
    at_150.load_there as load_at_150, at_150.is_beyond as load_at_150_extrapolated,
    case
        when at_150.hr_line_bpm_per_w is null then null
        when at_150.on_beta_blocker then 'beta_blocker'
        when at_150.above then 'above_hr_max'
        when at_150.far then 'too_far'
        else at_150.mark
    end as load_at_150_note,
    at_170.load_there as load_at_170, at_170.is_beyond as load_at_170_extrapolated,
    case
        when at_170.hr_line_bpm_per_w is null then null
        when at_170.on_beta_blocker then 'beta_blocker'
        when at_170.above then 'above_hr_max'
        when at_170.far then 'too_far'
        else at_170.mark
    end as load_at_170_note
from loads_at as at_150
join loads_at as at_170 using (study, test_id)
where at_150.bpm = 150 and at_170.bpm = 170
