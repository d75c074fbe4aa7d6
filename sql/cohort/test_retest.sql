-- test_retest: how far two tests of the same person agree: bias, limits of agreement, typical error, smallest change.
-- reads: summary, stages; t_quantiles.
-- parameter within_days = 60 d: how far apart the two tests may be.
-- example: within_days=14
-- column measure: A column of summary.parquet.
-- column unit: Unit of the numbers of this row.
-- column pairs_n, 1: People with two such tests: the first and the next one, with the same protocol (the planned loads
-- and lengths of the exercise stages that both rode), arm (not recorded counts as one) and intent.
-- column value_n, 1: Pairs with a value in both tests.
-- column same_observer_n, 1: Of these, pairs with one observer in both tests.
-- column days, d: Half of these pairs were further apart.
-- column first_mean, as unit: Mean of the first tests.
-- column bias, as unit: Mean of second minus first.
-- column bias_low, as unit: Lower end of its 95 % interval, by Student t.
-- column bias_high, as unit: Upper end of that interval.
-- column sd_differences, as unit: Standard deviation of second minus first (n - 1).
-- column multiplier, 1: What sd_differences is multiplied by for the limits of agreement.
-- column agreement_low, as unit: Lower limit of agreement: bias - multiplier * sd_differences.
-- column agreement_high, as unit: Upper limit of agreement.
-- column agreement_plus_minus, as unit: Half of the 95 % interval of each limit (Bland & Altman 1986):
-- t sd sqrt(1/n + multiplier² / (2 (n - 1))).
-- column typical_error, as unit: sd_differences / sqrt 2.
-- column typical_error_low, as unit: Lower end of its 95 % interval, by chi-squared.
-- column typical_error_high, as unit: Upper end of that interval.
-- column smallest_change, as unit: Smallest detectable change: 1.96 sqrt 2 typical_error.
-- column smallest_change_low, as unit: Lower end of its 95 % interval.
-- column smallest_change_high, as unit: Upper end of that interval.
--
-- One row a measure.  Between observers too: their biases are part of the differences where they changed.  Lower bounds
-- do not count.  Chi-squared as printed in NIST/SEMATECH e-Handbook 1.3.6.7.4 up to 30 degrees of freedom, by Wilson &
-- Hilferty (1931) beyond.
with planned as (
    select study, test_id, list({watts: target_watts, watts_to: target_watts_to, planned_s: planned_s} order by stage_index)
        as exercise
    from stages
    where phase = 'exercise'
    group by study, test_id
),
tests as (
    select summary.*, exercise
    from summary
    join planned using (study, test_id)
    where has_protocol and coalesce(purpose, 'study') not in ('familiarisation', 'teaching')
),
-- the first test with whichever comes next
paired as (
    select first.study, first.participant, first, second
    from tests as first
    join tests as second on second.study = first.study and second.participant = first.participant
        and second.intent is not distinct from first.intent and second.rest_arm is not distinct from first.rest_arm
        and second.opened_at > first.opened_at and second.opened_at <= first.opened_at + to_days($within_days::int)
        and list_slice(second.exercise, 1, least(len(first.exercise), len(second.exercise)))
            = list_slice(first.exercise, 1, least(len(first.exercise), len(second.exercise)))
    qualify row_number() over (
        partition by first.study, first.participant
        order by first.opened_at, first.test_id, second.opened_at, second.test_id
    ) = 1
),
measured as (
    select study, participant, first.observer = second.observer as is_same_observer,
        (epoch_us(second.opened_at) - epoch_us(first.opened_at)) / 86400e6 as days_apart, unnest([
            {measure: 'sbp_rest_mmhg', unit: 'mmHg', a: first.sbp_rest_mmhg, b: second.sbp_rest_mmhg},
            {measure: 'dbp_rest_mmhg', unit: 'mmHg',
                a: case when first.dbp_rest_phase = second.dbp_rest_phase then first.dbp_rest_mmhg end,
                b: second.dbp_rest_mmhg},
            {measure: 'hr_rest_bpm', unit: 'bpm', a: first.hr_rest_bpm, b: second.hr_rest_bpm},
            {measure: 'sbp_slope_mmhg_per_w', unit: 'mmHg/W', a: first.sbp_slope_mmhg_per_w,
                b: second.sbp_slope_mmhg_per_w},
            {measure: 'sbp_at_watts_mmhg', unit: 'mmHg',
                a: case when first.sbp_at_watts = second.sbp_at_watts then first.sbp_at_watts_mmhg end,
                b: second.sbp_at_watts_mmhg},
            {measure: 'sbp_peak_mmhg', unit: 'mmHg',
                a: case when not coalesce(first.sbp_peak_at_least, false) then first.sbp_peak_mmhg end,
                b: case when not coalesce(second.sbp_peak_at_least, false) then second.sbp_peak_mmhg end},
            {measure: 'hr_peak_bpm', unit: 'bpm', a: first.hr_peak_bpm, b: second.hr_peak_bpm},
            {measure: 'watts_peak', unit: 'W', a: first.watts_peak, b: second.watts_peak},
            {measure: 'hr_recovery_1min_bpm', unit: 'bpm', a: first.hr_recovery_1min_bpm,
                b: second.hr_recovery_1min_bpm}
        ]) as one
    from paired
),
agreed as (
    select one.measure as measure, one.unit as unit, count(*) as pairs_n, count(one.a + one.b) as value_n,
        count(*) filter (where is_same_observer and one.a + one.b is not null) as same_observer_n,
        median(days_apart) filter (where one.a + one.b is not null) as days,
        avg(one.a order by study, participant) filter (where one.b is not null) as first_mean,
        avg(one.b - one.a order by study, participant) as bias,
        stddev_samp(one.b - one.a order by study, participant) as sd_differences
    from measured
    group by one.measure, one.unit
),
chi_squared as (
    select unnest(range(1, 31)) as df, unnest([
    0.001, 0.051, 0.216, 0.484, 0.831, 1.237, 1.690, 2.180, 2.700, 3.247, 3.816, 4.404, 5.009, 5.629, 6.262,
    6.908, 7.564, 8.231, 8.907, 9.591, 10.283, 10.982, 11.689, 12.401, 13.120, 13.844, 14.573, 15.308,
    16.047, 16.791
    ]::double[]) as at_025, unnest([
    5.024, 7.378, 9.348, 11.143, 12.833, 14.449, 16.013, 17.535, 19.023, 20.483, 21.920, 23.337, 24.736,
    26.119, 27.488, 28.845, 30.191, 31.526, 32.852, 34.170, 35.479, 36.781, 38.076, 39.364, 40.646, 41.923,
    43.195, 44.461, 45.722, 46.979
    ]::double[]) as at_975
),
spread as (
    select agreed.*, 1.96 as multiplier, t_975, sd_differences / sqrt(2) as typical_error,
        coalesce(at_025, (value_n - 1) * pow(1 - 2 / (9.0 * (value_n - 1)) - 1.959964 * sqrt(2 / (9.0 * (value_n - 1))), 3))
            as low_quantile,
        coalesce(at_975, (value_n - 1) * pow(1 - 2 / (9.0 * (value_n - 1)) + 1.959964 * sqrt(2 / (9.0 * (value_n - 1))), 3))
            as high_quantile
    from agreed
    left join t_quantiles on t_quantiles.df = least(value_n - 1, 30)
    left join chi_squared on chi_squared.df = value_n - 1
)
select measure, unit, pairs_n, value_n, same_observer_n, days, first_mean, bias,
    bias - t_975 * sd_differences / sqrt(value_n) as bias_low, bias + t_975 * sd_differences / sqrt(value_n) as bias_high,
    sd_differences, multiplier::double as multiplier, bias - multiplier * sd_differences as agreement_low,
    bias + multiplier * sd_differences as agreement_high,
    t_975 * sd_differences * sqrt(1.0 / value_n + multiplier * multiplier / (2.0 * nullif(value_n - 1, 0)))
        as agreement_plus_minus,
    typical_error, typical_error * sqrt((value_n - 1) / high_quantile) as typical_error_low,
    typical_error * sqrt((value_n - 1) / low_quantile) as typical_error_high,
    1.96 * sqrt(2) * typical_error as smallest_change, 1.96 * sqrt(2) * typical_error_low as smallest_change_low,
    1.96 * sqrt(2) * typical_error_high as smallest_change_high
from spread
order by measure
