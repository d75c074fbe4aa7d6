-- snapshot_readings: one row a reading that prompts are planned by (pipeline/snapshot.py).
-- inputs: readings, test_opened, loads, times.
-- Taken by the first observer, or missed after an attempt; in a stage.  Seconds since the opening, mmHg, W.
select readings.reading_id as seq, due_seq, stage_index, phase,
    seconds_between(anchor, measured_at) as measured_s, k1_mmhg as k1, k1_at_least, k4_mmhg as k4, k5_mmhg as k5,
    dbp_mmhg as dbp, lowest_mmhg as lowest, watts, used, readings.observer, arm,
    inflated_to_mmhg as inflated_to,
    seconds_between(anchor, coalesce(released_at, measured_at)) as release_s,
    deflation_between_mmhg_per_s as measured_rate, clarity
from readings
join (select study, test_id, anchor from test_opened) using (study, test_id)
left join (select study, test_id, reading_id, watts from loads) using (study, test_id, reading_id)
left join (select study, test_id, reading_id, lowest_mmhg, released_at, deflation_between_mmhg_per_s from times)
    using (study, test_id, reading_id)
where phase is not null and (status = 'missed' and attempted or status = 'taken' and role = 'primary')
order by measured_at, reading_id
