-- heart_rate_held: one row a stage and limit of heart rate that was reached in it for 15 s: when first.
-- inputs: heart_rate_limits, samples, intervals, journal_end, rule, setting.
-- Judged at each counted sample of the first source, by its mean over (t - 10 s, t] with three samples
-- or more, of slower logs by the median of the last three.  It has held from the first of the samples
-- that reach the limit one after another; over a silence longer than that at which a value is too old
-- for a reading nothing is said to have held.  least_above: least of what was held, less the limit.
with heart_rates as (
    select samples.study, samples.test_id, seq, sampled_at, epoch_us(sampled_at) as at_us, stage_index,
        heart_rate_bpm, heart_rate_from_rr,
        least(greatest(stale_min_s, stale_intervals * coalesce(interval_s, 0)), stale_max_s) as stale_s,
        -- whole numbers: what a window sums must not depend on where in the batch the test stands
        cast(round(case when heart_rate_from_rr then 60000 / heart_rate_bpm else heart_rate_bpm end * 1e6) as bigint)
            as millionths
    from samples
    join (select distinct study, test_id from heart_rate_limits) as limited
        on limited.study = samples.study and limited.test_id = samples.test_id
    join journal_end on journal_end.study = samples.study and journal_end.test_id = samples.test_id
    left join intervals on intervals.study = samples.study and intervals.test_id = samples.test_id
        and intervals.source = samples.source
    cross join setting
    where heart_rate_counts and heart_rate_rank is not null and sampled_at <= as_of
    qualify rank() over (partition by samples.study, samples.test_id order by heart_rate_rank) = 1
),
stretches as (
    select *, count(*) filter (where silent_s > stale_s) over (partition by study, test_id order by at_us, seq)
            as stretch
    from (
        select *, seconds_between(lag(sampled_at) over (partition by study, test_id order by at_us, seq), sampled_at)
                as silent_s
        from heart_rates
    )
),
rolled as (
    select study, test_id, seq, at_us, stage_index, stretch,
        case when count(*) over ten_s >= 3 then sum(millionths) over ten_s / 1e6 / count(*) over ten_s end
            as mean_millionths,
        case when count(*) over three = 3 then median(heart_rate_bpm) over three end as median_of_three,
        coalesce(
            case when heart_rate_from_rr then 60000 / mean_millionths else mean_millionths end, median_of_three
        ) as bpm
    from stretches
    window ten_s as (
            partition by study, test_id, stretch order by at_us range between 9999999 preceding and current row
        ),
        three as (partition by study, test_id, stretch order by at_us, seq rows between 2 preceding and current row)
),
compared as (
    select rolled.study, rolled.test_id, limits.quantity, seq, at_us, stage_index, stretch,
        -- to a millionth: exactly at the limit is reached, whatever a division leaves
        round(
            case when limits.quantity = 'heart_rate_bpm' then bpm
                else 100 * (bpm - zero_bpm) / (full_bpm - zero_bpm) end - limit_at, 6
        ) as above,
        coalesce(crosses(above, operator, rule.threshold), false) as reached
    from rolled
    join heart_rate_limits as limits on limits.study = rolled.study and limits.test_id = rolled.test_id
    join rule on rule.code = 'protocol_limit' and rule.quantity = limits.quantity
),
runs as (
    select *, count(*) filter (where not reached) over (
            partition by study, test_id, quantity order by at_us, seq) as run
    from compared
),
held as (
    select study, test_id, quantity, seq, at_us, stage_index,
        at_us - min(at_us) over (partition by study, test_id, quantity, stretch, run) as held_us,
        min(above) over (partition by study, test_id, quantity, stretch, run order by at_us, seq) as least_above
    from runs
    where reached
)
select study, test_id, stage_index, quantity, make_timestamp(at_us) as held_at, least_above
from held
cross join setting
where stage_index is not null and held_us >= hr_limit_hold_s * 1e6
qualify row_number() over (partition by study, test_id, quantity, stage_index order by at_us, seq) = 1
