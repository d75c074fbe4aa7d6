-- gaps: one row a stretch of loaded time without a counted sample of a measure that some source
-- of the test gives, longer than `gap_intervals` median intervals of that measure's first source.
-- inputs: stages, samples, sources, intervals, setting.
-- gap_s: seconds of it that lie in loaded stages; stage_seq: the stage in which it begins.
with span as (
    select study, test_id, min(started_at) as opens, max(ended_at) as closes
    from stages where loaded group by study, test_id
),
given as (
    select study, test_id, 'watts' as measure, watts_rank as priority, name from sources
    where watts_rank is not null
    union all
    select study, test_id, 'heart_rate', heart_rate_rank, name from sources where heart_rate_rank is not null
),
first_given as (
    select given.study, given.test_id, measure, coalesce(interval_s, 0) as interval_s
    from given
    left join intervals on intervals.study = given.study and intervals.test_id = given.test_id
        and intervals.source = given.name
    qualify row_number() over (partition by given.study, given.test_id, measure order by priority, name) = 1
),
points as (
    select study, test_id, 'watts' as measure, sampled_at as point
    from samples join span using (study, test_id)
    where watts_counts and sampled_at > opens and sampled_at < closes
    union all
    select study, test_id, 'heart_rate', sampled_at
    from samples join span using (study, test_id)
    where heart_rate_counts and sampled_at > opens and sampled_at < closes
    union all
    select study, test_id, measure, unnest([opens, closes]) from span join first_given using (study, test_id)
),
between_points as (
    select study, test_id, measure, point as opens,
        lead(point) over (partition by study, test_id, measure order by point) as closes
    from points
),
long as (
    select between_points.*
    from between_points
    join first_given using (study, test_id, measure)
    cross join setting
    where seconds_between(opens, closes) > gap_intervals * interval_s
        and seconds_between(opens, closes) > gap_search_s
)
select long.study, long.test_id, measure, long.opens, long.closes,
    sum(seconds_between(greatest(long.opens, started_at), least(long.closes, ended_at)) order by started_at)
        as gap_s,
    arg_min(stage_seq, started_at) as stage_seq,
    arg_min(stage_index, started_at) as stage_index,
    arg_min(phase, started_at) as phase
from long
join stages on stages.study = long.study and stages.test_id = long.test_id and stages.loaded
    and stages.started_at < long.closes and stages.ended_at > long.opens
group by long.study, long.test_id, measure, long.opens, long.closes
