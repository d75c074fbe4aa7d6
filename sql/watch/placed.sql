-- placed: one row: the last moment of a reading, its first sound or that of its diastolic.
-- inputs: readings, times.
-- A sample that comes later with an earlier time belongs to what a reading was judged by.
select max(greatest(measured_at, dbp_at)) as moment
from (select study, test_id, reading_id, measured_at from readings)
join (select study, test_id, reading_id, dbp_at from times) using (study, test_id, reading_id)
