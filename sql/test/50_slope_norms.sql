-- slope_norms: one row a publication and sex: how steep systolic pressure rises with load in healthy adults.
-- inputs: none.
-- mmHg/W, mean and standard deviation; the distributions are skewed, so a z is a place and no limit.
select * from (values
    ('hedman_2021', 'male', 0.41, 0.15, 18, 85),
    ('hedman_2021', 'female', 0.52, 0.21, 18, 85),
    ('automated_2025', 'male', 0.24, 0.10, 18, null),
    ('automated_2025', 'female', 0.27, 0.12, 18, null)
) as norms (slope_norm, sex, norm_mean_mmhg_per_w, norm_sd_mmhg_per_w, age_min, age_max)
