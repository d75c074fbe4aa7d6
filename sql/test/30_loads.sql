-- loads: one row a reading taken in a stage, or with a rate stated per beat: load, cadence and heart rate over the 30 s up to its first
-- sound, cut to its stage.
-- inputs: readings, samples, intervals, setting.
-- Each measure comes from one source: the first by rank with a counted sample in the window.
-- watts W, cadence rpm, heart rate bpm (of RR intervals 60000 / mean RR); `_sd` with n - 1;
-- `_age_s` from the newest sample to the first sound.  Null with a note when there is no sample
-- or the newest is older than max(10 s, 2.5 median intervals), at most 30 s.
-- rate_hr_bpm, where the rate was stated per beat only: heart rate over the 30 s before the first
-- sound, or before the entry that came without a time; of that time as it is, whatever the stage.
with windows as (
    select study, test_id, reading_id, 'reading' as window_of,
        greatest(measured_at - to_microseconds(cast(load_window_s * 1e6 as bigint)), opens_at) as opens,
        least(measured_at, ended_at) as closes, measured_at as moment
    from readings cross join setting
    where measured_source is not null and stage_index is not null
    union all
    select study, test_id, reading_id, 'rate', plus_s(spoken_at, -load_window_s), spoken_at, spoken_at
    from (
        select readings.study, readings.test_id, reading_id,
            case when measured_source = 'estimated' then plus_s(anchor, entered_s) else measured_at end
                as spoken_at
        from readings join test_opened using (study, test_id)
        where stated_mmhg_per_s is null and stated_mmhg_per_beat is not null
    )
    cross join setting
),
-- joined by the seconds that they touch: a window holds few of the many samples
in_seconds as (
    select study, test_id, reading_id, window_of, opens, closes, moment,
        unnest(range(epoch_us(opens) // 1000000, epoch_us(closes) // 1000000 + 1)) as second
    from windows
),
in_window as (
    select in_seconds.study, in_seconds.test_id, reading_id, window_of, opens, closes, moment,
        seq, source, sampled_at, unnest([
            {measure: 'watts', reading: watts, counts: watts_counts, priority: watts_rank, rr: false},
            {measure: 'cadence', reading: cadence_rpm, counts: cadence_counts, priority: cadence_rank,
             rr: false},
            {measure: 'heart_rate', reading: heart_rate_bpm, counts: heart_rate_counts,
             priority: heart_rate_rank, rr: heart_rate_from_rr}
        ]) as one
    from (
        select *, epoch_us(sampled_at) // 1000000 as second
        from (
            select study, test_id, seq, source, sampled_at, watts, cadence_rpm, heart_rate_bpm, watts_counts,
                cadence_counts, heart_rate_counts, watts_rank, cadence_rank, heart_rate_rank, heart_rate_from_rr
            from samples
        )
    ) as samples
    join in_seconds on samples.study = in_seconds.study and samples.test_id = in_seconds.test_id
        and samples.second = in_seconds.second
        and samples.sampled_at > in_seconds.opens and samples.sampled_at <= in_seconds.closes
),
averaged as (
    select study, test_id, reading_id, window_of, one.measure as measure, source,
        one.priority as priority, opens, closes, moment,
        case when one.rr
            then count(*) / sum(1 / one.reading order by seq)
            else avg(one.reading order by seq)
        end as mean_value,
        stddev_samp(one.reading order by seq) as sd,
        count(*) as n,
        seconds_between(max(sampled_at), moment) as age_s
    from in_window
    where one.counts
    group by study, test_id, reading_id, window_of, one.measure, source, one.priority, one.rr,
        opens, closes, moment
    qualify row_number() over (
        partition by study, test_id, reading_id, window_of, one.measure
        order by one.priority nulls last, source
    ) = 1
),
fresh as (
    select study, test_id, reading_id, window_of, measure, {
        mean_value: mean_value, n: n, sd: sd, age_s: age_s, source: source,
        is_stale: age_s
            > least(stale_max_s, greatest(stale_min_s, coalesce(stale_intervals * interval_s, 0)))
    } as found
    from averaged
    left join intervals using (study, test_id, source)
    cross join setting
),
gathered as (
    -- one row a source and window is left, so max() only brings it into its column
    select windows.study, windows.test_id, windows.reading_id,
        max(seconds_between(windows.opens, windows.closes)) filter (where windows.window_of = 'reading')
            as load_window_s,
        max(found) filter (where measure = 'watts' and windows.window_of = 'reading') as load,
        max(found) filter (where measure = 'cadence' and windows.window_of = 'reading') as cadence,
        max(found) filter (where measure = 'heart_rate' and windows.window_of = 'reading') as heart_rate,
        max(found.mean_value) filter (
            where measure = 'heart_rate' and windows.window_of = 'rate') as rate_hr_bpm
    from windows
    left join fresh using (study, test_id, reading_id, window_of)
    group by windows.study, windows.test_id, windows.reading_id
)
select study, test_id, reading_id, load_window_s,
    case when not load.is_stale then load.mean_value end as watts,
    case when load_window_s is not null then coalesce(load.n, 0) end as watts_n,
    case when not load.is_stale then load.sd end as watts_sd,
    load.age_s as watts_age_s, load.source as watts_source,
    case when load_window_s is null then null
        when load is null then 'no_sample' when load.is_stale then 'stale' end as watts_note,
    case when not cadence.is_stale then cadence.mean_value end as cadence_rpm,
    case when load_window_s is not null then coalesce(cadence.n, 0) end as cadence_n,
    case when not cadence.is_stale then cadence.sd end as cadence_sd_rpm,
    cadence.age_s as cadence_age_s, cadence.source as cadence_source,
    case when load_window_s is null then null
        when cadence is null then 'no_sample' when cadence.is_stale then 'stale' end as cadence_note,
    case when not heart_rate.is_stale then heart_rate.mean_value end as heart_rate_bpm,
    case when load_window_s is not null then coalesce(heart_rate.n, 0) end as heart_rate_n,
    case when not heart_rate.is_stale then heart_rate.sd end as heart_rate_sd_bpm,
    heart_rate.age_s as heart_rate_age_s, heart_rate.source as heart_rate_source,
    case when load_window_s is null then null
        when heart_rate is null then 'no_sample' when heart_rate.is_stale then 'stale' end as heart_rate_note,
    rate_hr_bpm
from gathered
