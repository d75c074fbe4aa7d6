-- derived_to: one row a test: how far the flags were last derived as a whole.
-- inputs: journal_end, stages, samples, setting.
-- Of the stage in force the watts that count in its mean so far (36_stage_loads): their sum and number.
with in_force as (
    select study, test_id, stage_index, started_at, ended_at, ridden_s
    from (select study, test_id, stage_index, stage_seq, started_at, ended_at, ridden_s from stages)
    qualify row_number() over (partition by study, test_id order by started_at desc, stage_seq desc) = 1
),
ridden as (
    select in_force.study, in_force.test_id, watts_rank,
        sum(watts order by seq) filter (settled) as watts_sum, count(*) filter (settled) as watts_n
    from (
        select in_force.*, seq, watts, watts_rank,
            seconds_between(started_at, sampled_at) > load_grace_s
                and sampled_at < ended_at as settled
        from (select study, test_id, stage_index, seq, sampled_at, watts, watts_rank, watts_counts from samples) as samples
        join in_force using (study, test_id, stage_index)
        cross join (select load_grace_s from setting)
        where watts_counts and watts_rank is not null
    ) as in_force
    group by in_force.study, in_force.test_id, watts_rank
    qualify row_number() over (partition by in_force.study, in_force.test_id order by watts_rank) = 1
)
select study, test_id, as_of, last_seq, stage_index, watts_rank, watts_sum, coalesce(watts_n, 0) as watts_n
from (select study, test_id, as_of, last_seq from journal_end)
left join (select study, test_id, stage_index from in_force) using (study, test_id)
left join ridden using (study, test_id)
