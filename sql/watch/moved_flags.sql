-- moved_flags: one row a flag about time or load that is no longer as it was last derived.
-- inputs: flags, derived_to, loaded_to, stages, recent_samples, recent_gaps, recent_held, stage_loads, gaps,
-- readings, times, test_limit, heart_rate_limits, journal_end, test_opened, rule, setting.
-- stages and recent_* are as of now, the rest as last derived; derived_to and loaded_to say when that was
-- for all of it and for readings and their loads.  It only says that the ladder has to be
-- run: what it finds is judged by the same rules, and a flag that it finds is raised by the ladder.
with in_force as (
    select stages.study, stages.test_id, stage_index, stage_seq, phase, loaded, started_by, is_ramp, target_watts,
        target_watts_to, planned_s, started_at, ended_at, ridden_s, as_of, load_grace_s, load_off_percent
    from (
        select study, test_id, stage_index, stage_seq, phase, loaded, started_by, is_ramp, target_watts,
            target_watts_to, planned_s, started_at, ended_at, ridden_s
        from stages
    ) as stages
    join (select study, test_id, as_of from journal_end) as journal_end using (study, test_id)
    cross join (select load_grace_s, load_off_percent from setting)
    qualify row_number() over (partition by stages.study, stages.test_id order by started_at desc, stage_seq desc) = 1
),
-- a stage that the recent samples hold whole is averaged from them, a longer one from where it was left
counted as (
    select in_force.study, in_force.test_id, in_force.stage_index, sum(watts) as watts_sum, count(*) as watts_n
    from in_force
    join derived_to using (study, test_id, stage_index)
    join (
        select study, test_id, stage_index, seq, sampled_at, watts, watts_rank from recent_samples where watts_counts
    ) as recent using (study, test_id, stage_index)
    where recent.watts_rank is not null and sampled_at < ended_at
        -- a stage that had no sample when it was left has no source yet
        and (derived_to.watts_rank is null or recent.watts_rank = derived_to.watts_rank)
        and seconds_between(started_at, sampled_at) > load_grace_s
        and (ridden_s <= 100 or seq > derived_to.last_seq)
    group by in_force.study, in_force.test_id, in_force.stage_index, recent.watts_rank
    qualify row_number() over (partition by in_force.study, in_force.test_id order by recent.watts_rank) = 1
),
ridden as (
    select in_force.*,
        (case when ridden_s > 100 then coalesce(derived_to.watts_sum, 0) else 0 end + coalesce(counted.watts_sum, 0))
            / nullif(case when ridden_s > 100 then derived_to.watts_n else 0 end + coalesce(counted.watts_n, 0), 0)
            as watts_mean,
        target_watts + case when is_ramp then (target_watts_to - target_watts)
            * least(1, (load_grace_s + ridden_s) / 2 / nullif(planned_s, 0)) else 0 end as target_mean
    from in_force
    left join derived_to using (study, test_id, stage_index)
    left join counted using (study, test_id, stage_index)
),
loaded_stages as (
    select study, test_id, stage_seq, stage_index, phase, watts_mean,
        max(watts_mean) over (partition by study, test_id order by stage_index
            rows between unbounded preceding and 1 preceding) as highest_before,
        max(watts_mean) over (partition by study, test_id) as highest_watts
    from (
        select study, test_id, stage_seq, stage_index, phase, watts_mean from ridden where loaded
        union all
        select stage_loads.study, stage_loads.test_id, stage_seq, stage_index, phase, watts_mean
        from (select study, test_id, stage_seq, stage_index, phase, watts_mean, loaded from stage_loads) as stage_loads
        anti join ridden using (study, test_id, stage_index)
        where loaded
    )
),
unused_since as (
    select study, test_id, max(since) as since
    from (
        select study, test_id, min(started_at) as since
        from (select study, test_id, started_at, loaded from stages) where loaded group by study, test_id
        union all
        select study, test_id, max(measured_at)
        from (select study, test_id, measured_at, used, loaded from readings) where used and loaded
        group by study, test_id
    )
    group by study, test_id
),
heard as (
    select study, test_id, count(*) >= 3 as is_heard
    from (select study, test_id, heart_rate_counts, heart_rate_rank from recent_samples)
    where heart_rate_counts and heart_rate_rank is not null
    group by study, test_id
),
candidate as (
    select study, test_id, stage_seq as target_seq, phase, 'load_off_target' as code, 'watts' as quantity,
        case when loaded and 100 * abs(watts_mean - target_mean) > load_off_percent * target_mean
            then abs(watts_mean - target_mean) end as observed, true as may_end
    from ridden
    union all
    select study, test_id, stage_seq, phase, 'stage_differs_from_protocol', 'watts',
        case when loaded and started_by = 'detected' and planned_s is not null
            then abs(watts_mean - target_mean) end, true
    from ridden
    union all
    select study, test_id, stage_seq, phase, 'load_not_rising', 'watts',
        case when stage_index < min(stage_index) filter (where watts_mean = highest_watts)
            over (partition by study, test_id) then highest_before - watts_mean end, true
    from loaded_stages
    union all
    select study, test_id, stage_seq, phase, case measure when 'watts' then 'load' else measure end || '_gap',
        'seconds', gap_s, false
    from recent_gaps
    union all
    select recent_held.study, recent_held.test_id, stage_seq, phase, 'protocol_limit', quantity, least_above, false
    from recent_held
    join (select study, test_id, stage_index, stage_seq, phase from stages) using (study, test_id, stage_index)
    union all
    select in_force.study, in_force.test_id, in_force.stage_seq, in_force.phase, 'protocol_limit', 'minutes',
        seconds_between(first_load_at, least(in_force.ended_at, as_of)) / 60 - threshold, false
    from in_force
    join (
        select study, test_id, min(started_at) as first_load_at
        from (select study, test_id, started_at, loaded from stages) where loaded group by study, test_id
    ) using (study, test_id)
    join test_limit using (study, test_id)
    where test_limit.quantity = 'minutes' and in_force.loaded
    union all
    select in_force.study, in_force.test_id, stages.stage_seq, stages.phase, 'pressure_unwatched', 'unused',
        seconds_between(since, as_of), false
    from in_force
    join unused_since using (study, test_id)
    join rule on rule.code = 'pressure_unwatched' and rule.quantity = 'unused'
    join (select study, test_id, stage_index, stage_seq, phase, started_at, ended_at, loaded from stages) as stages
        on stages.study = in_force.study and stages.test_id = in_force.test_id and stages.loaded
        and stages.started_at < as_of and stages.ended_at > plus_s(since, rule.threshold)
    where in_force.loaded
    qualify row_number() over (partition by in_force.study, in_force.test_id order by stages.stage_index) = 1
),
judged as (
    select candidate.study, candidate.test_id, candidate.code, candidate.target_seq, candidate.quantity, may_end,
        min(array_position(['stop', 'caution', 'check', 'note'], level)) as severity
    from candidate
    join (select study, test_id, intent, sex, age_years from test_opened) as test_opened using (study, test_id)
    left join rule on rule.code = candidate.code and rule.quantity = candidate.quantity
        and crosses(observed, rule.operator, rule.threshold)
        and (rule.phase is null or list_contains(string_split(rule.phase, ','), candidate.phase))
        and (rule.intent is null or rule.intent = test_opened.intent)
        and (rule.sex is null or rule.sex = test_opened.sex)
        and (rule.age_min is null or test_opened.age_years >= rule.age_min)
        and (rule.age_max is null or test_opened.age_years < rule.age_max)
    group by candidate.study, candidate.test_id, candidate.code, candidate.target_seq, candidate.quantity, may_end
),
raised as (
    select study, test_id, code, target_seq, quantity,
        array_position(['stop', 'caution', 'check', 'note'], level) as severity
    from (select study, test_id, code, target_seq, quantity, level, state from flags)
    where state <> 'withdrawn'
)
select judged.code, judged.target_seq
from judged
left join raised using (study, test_id, code, target_seq)
where judged.severity < coalesce(raised.severity, 9)
    or may_end and raised.quantity = judged.quantity and raised.severity <> coalesce(judged.severity, 9)
union all
-- a silence that was going on when the flags were derived, into which a sample has come since
select gaps.measure || '_gap', stage_seq
from (select study, test_id, measure, opens, closes, stage_seq from gaps) as gaps
join (select study, test_id, as_of from derived_to) as derived_to using (study, test_id)
join (select study, test_id, sampled_at, watts_counts, heart_rate_counts from recent_samples) as recent
    using (study, test_id)
where sampled_at > opens and sampled_at < closes
    and case measure when 'watts' then watts_counts else heart_rate_counts end
union all
-- the first heart rate of a test with such a limit
select raised.code, raised.target_seq
from raised
join heard using (study, test_id)
where raised.code = 'limit_not_judged' and is_heard
    and not exists (from heart_rate_limits as limits
        where limits.study = raised.study and limits.test_id = raised.test_id and unjudged is not null)
union all
-- what belongs to a reading, or to a stage that is over, came or fell due only now
select 'reading', reading_id
from (select study, test_id, reading_id, measured_at, dbp_at from times
    join (select study, test_id, reading_id, measured_at from readings) using (study, test_id, reading_id)) as moments
join (select study, test_id, as_of as derived_at, last_seq from loaded_to) using (study, test_id)
join (select study, test_id, as_of from journal_end) using (study, test_id)
where measured_at > derived_at and measured_at <= as_of or dbp_at > derived_at and dbp_at <= as_of
    or exists (from recent_samples as recent
        where recent.study = moments.study and recent.test_id = moments.test_id and recent.seq > last_seq
            and recent.sampled_at <= greatest(measured_at, dbp_at))
union all
select 'stage', recent.stage_index
from (select study, test_id, stage_index, seq from recent_samples) as recent
join (select study, test_id, last_seq from derived_to) using (study, test_id)
join in_force using (study, test_id)
where recent.seq > last_seq and recent.stage_index < in_force.stage_index
