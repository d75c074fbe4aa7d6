-- recovery: how fast heart rate and systolic pressure fell after exercise, by what was done then and by sex.
-- reads: summary.
-- column measure: hr_recovery_1min_bpm, hr_recovery_2min_bpm, sbp_recovery_3min_1min or sbp_recovery_3min_peak, as in
-- summary.parquet.
-- column unit: Unit of the numbers of this row; 1 is a ratio.
-- column recovery_mode: active, passive or supine; unknown where it could not be told.
-- column sex: female, male or unknown.
-- column tests_n, 1: Tests that were asked.
-- column value_n, 1: Tests with a value.
-- column no_value: Why the others have none, as code=number pairs (hr_recovery_note, sbp_recovery_note,
-- sbp_recovery_peak_note of summary.parquet); null_input: what it is computed from is null.
-- column mean, as unit: Mean over tests.
-- column sd, as unit: Standard deviation (n - 1).
-- column lowest, as unit: Lowest value.
-- column quarter, as unit: A quarter of the values lies below.
-- column median, as unit: Half of the values lies below.
-- column three_quarters, as unit: Three quarters of the values lie below.
-- column highest, as unit: Highest value.
--
-- Somebody who came twice counts twice.  Compare within a mode: the cited limits of heart-rate recovery are 12 bpm in
-- an active recovery and 18 bpm in a passive one.
with placed as (
    select study, test_id, coalesce(recovery_mode, 'unknown') as recovery_mode, coalesce(sex, 'unknown') as sex,
        unnest([
            {measure: 'hr_recovery_1min_bpm', unit: 'bpm', value: hr_recovery_1min_bpm, note: hr_recovery_note},
            {measure: 'hr_recovery_2min_bpm', unit: 'bpm', value: hr_recovery_2min_bpm, note: hr_recovery_note},
            {measure: 'sbp_recovery_3min_1min', unit: '1', value: sbp_recovery_3min_1min, note: sbp_recovery_note},
            {measure: 'sbp_recovery_3min_peak', unit: '1', value: sbp_recovery_3min_peak,
                note: sbp_recovery_peak_note}
        ]) as one
    from summary
),
reasons as (
    select measure, recovery_mode, sex, string_agg(note || '=' || n, ' ' order by n desc, note) as no_value
    from (
        select one.measure as measure, recovery_mode, sex, coalesce(one.note, 'null_input') as note, count(*) as n
        from placed
        where one.value is null
        group by one.measure, recovery_mode, sex, one.note
    )
    group by measure, recovery_mode, sex
),
grouped as (
    select one.measure as measure, one.unit as unit, recovery_mode, sex, count(*) as tests_n,
        count(one.value) as value_n, avg(one.value order by study, test_id) as mean,
        stddev_samp(one.value order by study, test_id) as sd, min(one.value) as lowest,
        quantile_cont(one.value, 0.25) as quarter, median(one.value) as median,
        quantile_cont(one.value, 0.75) as three_quarters, max(one.value) as highest
    from placed
    group by one.measure, one.unit, recovery_mode, sex
)
select measure, unit, recovery_mode, sex, tests_n, value_n, no_value, mean, sd, lowest, quarter, median, three_quarters,
    highest
from grouped
left join reasons using (measure, recovery_mode, sex)
order by measure, recovery_mode, sex
