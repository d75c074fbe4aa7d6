-- hr_peaks: one row a test with heart rate from its first load on: the highest, bpm.
-- inputs: samples, exercise_end.
-- Highest 10-s mean over (t - 10 s, t] with three samples or more, from first load to 15 s after
-- the end of exercise; of slower logs the highest median of three samples.
with heart_rates as (
    select samples.study, samples.test_id, epoch_us(sampled_at) as at_us, heart_rate_bpm, heart_rate_from_rr,
        -- whole numbers: what a window sums must not depend on where in the batch the test stands
        cast(round(case when heart_rate_from_rr then 60000 / heart_rate_bpm else heart_rate_bpm end * 1e6) as bigint)
            as millionths
    from samples
    join exercise_end on exercise_end.study = samples.study and exercise_end.test_id = samples.test_id
    where heart_rate_counts and heart_rate_rank is not null
        and sampled_at >= first_load_at and sampled_at <= exercise_end_at + to_seconds(15)
    qualify rank() over (partition by samples.study, samples.test_id order by heart_rate_rank) = 1
),
rolled as (
    select study, test_id,
        case when count(*) over ten_s >= 3 then sum(millionths) over ten_s / 1e6 / count(*) over ten_s end
            as mean_millionths,
        case when heart_rate_from_rr then 60000 / mean_millionths else mean_millionths end as mean_10_s,
        case when count(*) over three = 3 then median(heart_rate_bpm) over three end as median_of_three
    from heart_rates
    window ten_s as (partition by study, test_id order by at_us range between 9999999 preceding and current row),
        three as (partition by study, test_id order by at_us rows between 2 preceding and current row)
)
select study, test_id, coalesce(max(mean_10_s), max(median_of_three)) as hr_peak_bpm,
    case when max(mean_10_s) is not null then 'mean_10_s'
        when max(median_of_three) is not null then 'median_of_three' end as hr_peak_method
from rolled
group by study, test_id
