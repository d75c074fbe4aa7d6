-- flags: one row a code and target: what lies outside a cited limit, as of journal_end.as_of.
-- inputs: reading_candidates, fall_candidates, stage_candidates, test_candidates, limit_candidates,
-- whole_candidates, response_candidates, test_rules, test_opened, flag_raised, flag_acknowledged.
-- The candidates {code, quantity, observed} are joined to the rules by operator: a new rule is one
-- line in a file of candidates and one table in rules.toml.  Of several rules for one code and target
-- the most severe stands, of several limits of a test the first that was reached.  target_seq: the
-- reading, else the stage_started, else the test_opened.
with candidate as (
    from reading_candidates
    union all
    from fall_candidates
    union all
    from stage_candidates
    union all
    from test_candidates
    union all
    from limit_candidates
    union all
    from whole_candidates
    union all
    from response_candidates
),
crossed as (
    select candidate.study, candidate.test_id, one.code as code, rule.level, target_seq, stage_index,
        candidate.phase, flag_at, one.quantity as quantity, one.observed as observed, rule.operator,
        rule.threshold, rule.unit, rule.words, one.detail as detail, rule.rule_source, rule.position, persistence,
        -- readings running: of those judged in the phases of the rule, this one and so many before it
        count(*) filter (where crosses(one.observed, rule.operator, rule.threshold)) over (
            partition by candidate.study, candidate.test_id, rule.position order by flag_at, target_seq
            rows between rule.persistence - 1 preceding and current row
        ) as running
    from candidate
    join test_rules as rule on rule.study = candidate.study and rule.test_id = candidate.test_id
        and rule.code = one.code and rule.quantity = one.quantity
    where one.observed is not null
        and (persistence > 1 or crosses(one.observed, rule.operator, rule.threshold))
        and (rule.phase is null or list_contains(string_split(rule.phase, ','), candidate.phase))
),
judged as materialized (
    select *, array_position(['stop', 'caution', 'check', 'note'], level) as severity
    from crossed
    where running >= persistence
    qualify row_number() over (
        partition by study, test_id, code, target_seq
        order by severity, case when code = 'protocol_limit' then flag_at end, position,
            observed desc, quantity, flag_at, detail
    ) = 1
),
raised as (
    select *, array_position(['stop', 'caution', 'check', 'note'], level) as severity
    from flag_raised
),
shown as (
    select study, test_id, code, target_seq, min(event_time) as raised_at,
        max(seq) filter (where severity < severity_before) as rose_seq
    from (
        select *, lag(severity) over (
            partition by study, test_id, code, target_seq order by seq
        ) as severity_before
        from raised
    )
    group by study, test_id, code, target_seq
),
seen as (
    -- what was seen before it became more severe was less than this
    select study, test_id, code, target_seq, min(event_time) as acknowledged_at,
        arg_min("by", seq) as acknowledged_by
    from flag_acknowledged
    left join shown using (study, test_id, code, target_seq)
    where rose_seq is null or seq > rose_seq
    group by study, test_id, code, target_seq
),
withdrawn as (
    select flag_raised.study, flag_raised.test_id, flag_raised.code, flag_raised.level, flag_raised.target_seq,
        flag_raised.observed, flag_raised.threshold
    from flag_raised
    anti join judged using (study, test_id, code, target_seq)
    qualify row_number() over (
        partition by flag_raised.study, flag_raised.test_id, flag_raised.code, flag_raised.target_seq
        order by flag_raised.seq desc
    ) = 1
)
select coalesce(judged.study, shown.study) as study, coalesce(judged.test_id, shown.test_id) as test_id,
    coalesce(judged.code, shown.code) as code, coalesce(judged.level, withdrawn.level) as level,
    coalesce(judged.target_seq, shown.target_seq) as target_seq, judged.stage_index, judged.phase, flag_at,
    quantity, coalesce(judged.observed, withdrawn.observed) as observed, operator,
    coalesce(judged.threshold, withdrawn.threshold) as threshold, unit, words, detail, rule_source,
    raised_at, acknowledged_at, acknowledged_by,
    case
        when judged.code is null then 'withdrawn'
        when raised_at is not null or mode = 'join' or judged.level = 'note' then 'holds'
        else 'late'
    end as state
from judged
full outer join shown on shown.study = judged.study and shown.test_id = judged.test_id
    and shown.code = judged.code and shown.target_seq = judged.target_seq
left join withdrawn on withdrawn.study = shown.study and withdrawn.test_id = shown.test_id
    and withdrawn.code = shown.code and withdrawn.target_seq = shown.target_seq
left join seen on seen.study = coalesce(judged.study, shown.study)
    and seen.test_id = coalesce(judged.test_id, shown.test_id)
    and seen.code = coalesce(judged.code, shown.code)
    and seen.target_seq = coalesce(judged.target_seq, shown.target_seq)
join test_opened on test_opened.study = coalesce(judged.study, shown.study)
    and test_opened.test_id = coalesce(judged.test_id, shown.test_id)
