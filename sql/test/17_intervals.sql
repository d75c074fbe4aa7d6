-- intervals: one row a source that logged: the median time between its samples, seconds.
-- inputs: samples.
with stepped as (
    select study, test_id, source,
        seconds_between(lag(sampled_at) over (partition by study, test_id, source order by seq), sampled_at)
            as step_s
    from samples
)
select study, test_id, source, median(step_s) as interval_s
from stepped
where step_s > 0
group by study, test_id, source
