-- dbp_loads: one row a reading with a diastolic: the load at the diastolic's own moment.
-- inputs: readings, times, stages, samples, loads, setting.
-- watts_at_dbp: mean W over the 30 s up to dbp_at, cut to the stage in which dbp_at lies, from
-- the source that gave `watts`.  dbp_next_load: the diastolic was heard more than 10 s into
-- the next stage and its load differs by over 10 W; it then stays out of everything that
-- compares readings.
with placed as (
    select times.study, times.test_id, times.reading_id, dbp_at, measured_at, readings.ended_at as stage_ended_at,
        case when dbp_at <= stages.ended_at then stages.opens_at end as dbp_opens_at
    from times
    join readings using (study, test_id, reading_id)
    asof left join stages on times.study = stages.study and times.test_id = stages.test_id
        and times.dbp_at > stages.opens_at
    where dbp_at is not null
),
averaged as (
    select placed.study, placed.test_id, placed.reading_id,
        avg(samples.watts order by seq) as watts_at_dbp
    from placed
    join loads on loads.study = placed.study and loads.test_id = placed.test_id
        and loads.reading_id = placed.reading_id
    cross join setting
    join samples on samples.study = placed.study and samples.test_id = placed.test_id
        and samples.source = loads.watts_source and samples.watts_counts and dbp_opens_at is not null
        and samples.sampled_at <= placed.dbp_at
        and samples.sampled_at > greatest(plus_s(dbp_at, -setting.load_window_s), dbp_opens_at)
    group by placed.study, placed.test_id, placed.reading_id
)
select placed.study, placed.test_id, placed.reading_id, watts_at_dbp,
    coalesce(dbp_at > plus_s(stage_ended_at, dbp_next_load_s)
        and abs(watts_at_dbp - watts) > dbp_next_load_watts, false) as dbp_next_load
from placed
left join averaged using (study, test_id, reading_id)
left join loads using (study, test_id, reading_id)
cross join setting
