-- sources_now: one row a source, as the watch over the logs has to know it (pipeline/log_watch.py).
-- inputs: sources.
select name, coalesce(clock_offset_s, 0) as clock_offset_s, watts_rank, cadence_rank, heart_rate_rank,
    coalesce(heart_rate_from_rr, false) as heart_rate_from_rr
from sources
order by name
