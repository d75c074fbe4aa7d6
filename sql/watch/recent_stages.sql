-- recent_stages: one row a stage that reaches into the last 120 s, cut to them.
-- inputs: stages, journal_end.
-- The gaps of the ladder over these and the recent samples are those that may be new; one that began
-- earlier is as long as 120 s at least.
select stages.study, stages.test_id, stage_index, stage_seq, phase, loaded,
    greatest(started_at, plus_s(as_of, -120)) as started_at, ended_at
from (select study, test_id, stage_index, stage_seq, phase, loaded, started_at, ended_at from stages) as stages
join (select study, test_id, as_of from journal_end) as journal_end using (study, test_id)
where ended_at > plus_s(as_of, -120)
