-- samples: one row a line of a log, on the test's clock.
-- inputs: sample, sources, stages, test_opened, setting.
-- event_time is the source's own time; sampled_at = event_time + clock_offset_s.  Of lines of
-- one source with one time the last counts.  `*_counts`: valid (25-240 bpm, -20-2000 W,
-- 0-200 rpm by the settings) and not a duplicate; the others are kept, not averaged.
-- A sample stamped at a change of stage belongs to the stage that begins: a detected stage runs
-- from its first sample to the first sample of the next.
with repeated as (
    select study, test_id, source, event_time
    from sample
    group by study, test_id, source, event_time
    having count(*) > 1
),
doubled as (
    select study, test_id, source, event_time,
        max(seq) filter (where watts is not null) as watts_seq,
        max(seq) filter (where cadence_rpm is not null) as cadence_seq,
        max(seq) filter (where heart_rate_bpm is not null) as heart_rate_seq
    from sample
    join repeated using (study, test_id, source, event_time)
    group by study, test_id, source, event_time
),
placed as (
    select sample.*, plus_s(sample.event_time, clock_offset_s) as sampled_at,
        watts_rank, cadence_rank, heart_rate_rank, heart_rate_from_rr
    from sample
    join sources on sources.study = sample.study and sources.test_id = sample.test_id
        and sources.name = sample.source
)
select placed.study, placed.test_id, seq, placed.source, placed.event_time, sampled_at,
    seconds_between(anchor, sampled_at) as elapsed_s, stage_index,
    watts, cadence_rpm, heart_rate_bpm,
    coalesce(watts between watts_min and watts_max
        and (watts_seq is null or watts_seq = seq), false) as watts_counts,
    coalesce(cadence_rpm between cadence_min_rpm and cadence_max_rpm
        and (cadence_seq is null or cadence_seq = seq), false) as cadence_counts,
    coalesce(heart_rate_bpm between heart_rate_min_bpm and heart_rate_max_bpm
        and (heart_rate_seq is null or heart_rate_seq = seq), false) as heart_rate_counts,
    watts_rank, cadence_rank, heart_rate_rank, heart_rate_from_rr
from placed
join (select study, test_id, anchor from test_opened) as opened
    on opened.study = placed.study and opened.test_id = placed.test_id
cross join setting
left join stages on stages.study = placed.study and stages.test_id = placed.test_id
    and placed.sampled_at >= stages.started_at and placed.sampled_at < stages.samples_until
left join doubled on doubled.study = placed.study and doubled.test_id = placed.test_id
    and doubled.source = placed.source and doubled.event_time = placed.event_time
