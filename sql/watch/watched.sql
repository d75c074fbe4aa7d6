-- watched: one row a test: what its logs say now.
-- inputs: recent_samples, journal_end.
-- Of each measure the mean of the 5 s up to the newest counted sample, from the first source by rank
-- that has one in the 30 s before as_of; its age in seconds.  W, rpm, bpm, of RR intervals 60000 / mean
-- RR.  heart_rate_30s_bpm: over (as_of - 30 s, as_of], for rates that are stated per beat.
with recent as (
    select samples.study, samples.test_id, seq, source, sampled_at, as_of, unnest([
            {measure: 'watts', reading: watts, counts: watts_counts, priority: watts_rank, rr: false},
            {measure: 'cadence', reading: cadence_rpm, counts: cadence_counts, priority: cadence_rank, rr: false},
            {measure: 'heart_rate', reading: heart_rate_bpm, counts: heart_rate_counts,
             priority: heart_rate_rank, rr: heart_rate_from_rr}
        ]) as one
    from (
        select study, test_id, seq, source, sampled_at, watts, cadence_rpm, heart_rate_bpm, watts_counts,
            cadence_counts, heart_rate_counts, watts_rank, cadence_rank, heart_rate_rank, heart_rate_from_rr
        from recent_samples
    ) as samples
    join (select study, test_id, as_of from journal_end) as journal_end
        on journal_end.study = samples.study and journal_end.test_id = samples.test_id
    where sampled_at <= as_of and sampled_at > plus_s(as_of, -30)
),
newest as (
    select study, test_id, measure, arg_min(source, (coalesce(priority, 9999), source)) as source,
        arg_min(newest_at, (coalesce(priority, 9999), source)) as newest_at
    from (
        select study, test_id, one.measure as measure, source, one.priority as priority,
            max(sampled_at) as newest_at
        from recent
        where one.counts
        group by study, test_id, one.measure, source, one.priority
    )
    group by study, test_id, measure
),
logged as (
    select recent.study, recent.test_id, newest.measure, recent.source, seconds_between(max(newest_at), max(as_of)) as age_s,
        case when one.rr
            then count(*) filter (where sampled_at > plus_s(newest_at, -5))
                / sum(1 / one.reading order by seq) filter (where sampled_at > plus_s(newest_at, -5))
            else avg(one.reading order by seq) filter (where sampled_at > plus_s(newest_at, -5))
        end as now_value,
        case when one.rr then count(*) / sum(1 / one.reading order by seq)
            else avg(one.reading order by seq) end as mean_30_s
    from recent
    join newest on newest.study = recent.study and newest.test_id = recent.test_id
        and newest.measure = recent.one.measure and newest.source = recent.source
    where recent.one.counts
    group by recent.study, recent.test_id, newest.measure, recent.source, one.rr
)
select journal_end.study, journal_end.test_id,
    -- one row a measure is left, so max() only brings it into its column
    max(now_value) filter (where measure = 'watts') as watts,
    max(age_s) filter (where measure = 'watts') as watts_age_s,
    max(source) filter (where measure = 'watts') as watts_source,
    max(now_value) filter (where measure = 'cadence') as cadence_rpm,
    max(age_s) filter (where measure = 'cadence') as cadence_age_s,
    max(source) filter (where measure = 'cadence') as cadence_source,
    max(now_value) filter (where measure = 'heart_rate') as heart_rate_bpm,
    max(age_s) filter (where measure = 'heart_rate') as heart_rate_age_s,
    max(source) filter (where measure = 'heart_rate') as heart_rate_source,
    max(mean_30_s) filter (where measure = 'heart_rate') as heart_rate_30s_bpm
from journal_end
left join logged using (study, test_id)
group by journal_end.study, journal_end.test_id
