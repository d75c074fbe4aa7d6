-- systolic_slope: how steep systolic pressure rises with load in each test, and where that lies among healthy adults.
-- reads: summary; slope_norms.
-- parameter norm = hedman_2021 of hedman_2021, automated_2025: the publication it is compared with (cycle; readings
-- by hand, or by a device).
-- example: norm=automated_2025
-- column norm: Publication of the three columns that follow.
-- column norm_mean_mmhg_per_w, mmHg/W: Mean slope of healthy adults of the sex by norm.
-- column norm_sd_mmhg_per_w, mmHg/W: Standard deviation of these.
-- column norm_z, 1: (slope - mean) / standard deviation; the distributions are skewed, so it is a place and no limit.
-- column u_norm_z, 1: Standard uncertainty of norm_z through sbp_slope_se_mmhg_per_w; the norm is taken as exact.
-- column norm_place: Where the 95 % interval of the slope lies: below, about or above the middle 95 % of a normal
-- distribution with that mean and standard deviation; within it wholly is inside.
--
-- One row a test.  Nothing about health follows from a place: the norms are those of one laboratory each.
select summary.study, test_id, participant, visit, summary.sex, age_years, sbp_slope_mmhg_per_w, sbp_slope_n,
    sbp_slope_se_mmhg_per_w, sbp_slope_low_mmhg_per_w, sbp_slope_high_mmhg_per_w, $norm as norm,
    norm_mean_mmhg_per_w::double as norm_mean_mmhg_per_w, norm_sd_mmhg_per_w::double as norm_sd_mmhg_per_w,
    (sbp_slope_mmhg_per_w - norm_mean_mmhg_per_w) / norm_sd_mmhg_per_w as norm_z,
    sbp_slope_se_mmhg_per_w / norm_sd_mmhg_per_w as u_norm_z,
    case
        when norm_z is null then null
        when sbp_slope_high_mmhg_per_w < norm_mean_mmhg_per_w - 1.96 * norm_sd_mmhg_per_w then 'below'
        when sbp_slope_low_mmhg_per_w > norm_mean_mmhg_per_w + 1.96 * norm_sd_mmhg_per_w then 'above'
        when sbp_slope_low_mmhg_per_w >= norm_mean_mmhg_per_w - 1.96 * norm_sd_mmhg_per_w
            and sbp_slope_high_mmhg_per_w <= norm_mean_mmhg_per_w + 1.96 * norm_sd_mmhg_per_w then 'inside'
        else 'about'
    end as norm_place,
    sbp_slope_note
from summary
left join slope_norms on slope_norm = $norm and slope_norms.sex = summary.sex
    and age_years >= age_min and age_years <= coalesce(age_max, age_years)
order by summary.study, test_id
