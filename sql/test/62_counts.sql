-- counts: one row a test: how many readings, prompts, stages, flags, lines and samples it has.
-- inputs: test_opened, measures, reading_due, prompt_superseded, stage_loads, flags, line_rejected, sources,
-- sample.  watts_highest_stage W, of loaded stages of a minute or more.
with taken as (
    select study, test_id,
        count(*) filter (where status = 'taken' and role = 'primary') as readings_taken,
        count(*) filter (where status = 'missed') as readings_missed,
        count(*) filter (where status = 'void') as readings_void,
        count(*) filter (where used) as readings_used,
        count(*) filter (where in_window and status = 'taken' and role = 'primary') as readings_in_window,
        count(*) filter (where not in_window and status = 'taken' and role = 'primary') as readings_outside_window,
        count(*) filter (where dbp_phase = 'K4' and used) as readings_k4,
        count(*) filter (where dbp_phase is not null and used) as diastolics_used
    from measures
    group by study, test_id
),
missed as (
    select study, test_id, string_agg(missed_reason || '=' || n, ' ' order by missed_reason) as missed_by_reason
    from (
        select study, test_id, missed_reason, count(*) as n
        from measures where status = 'missed' group by study, test_id, missed_reason
    )
    group by study, test_id
),
prompts as (
    select study, test_id, count(*) as readings_due, count(superseded_seq) as prompts_superseded
    from (select study, test_id, seq from reading_due)
    left join (select distinct study, test_id, due_seq as seq, due_seq as superseded_seq from prompt_superseded)
        using (study, test_id, seq)
    group by study, test_id
),
ridden as (
    select study, test_id, count(*) filter (where loaded) as stages_loaded,
        max(watts_mean) filter (where loaded and ridden_s >= 60) as watts_highest_stage,
        count(*) as stages_ridden
    from stage_loads
    group by study, test_id
),
worst as (
    select study, test_id,
        list_sort(list(array_position(['stop', 'caution', 'check', 'note'], level)))[1] as severity,
        count(*) filter (where level = 'stop') as flags_stop,
        count(*) filter (where level = 'caution') as flags_caution,
        count(*) filter (where level = 'check') as flags_check,
        count(*) filter (where level = 'note') as flags_note
    from flags
    where state <> 'withdrawn'
    group by study, test_id
),
rejected as (
    select study, test_id, count(*) as lines_rejected from line_rejected group by study, test_id
),
clocks as (
    select study, test_id,
        string_agg(name || '=' || format('{:.3f}', clock_offset_s) || ' s ' || clock_method, '; ' order by name)
            as clock_offsets
    from sources
    group by study, test_id
),
sampled as (
    select study, test_id, count(*) as samples_n from sample group by study, test_id
)
select study, test_id,
    coalesce(readings_taken, 0) as readings_taken, coalesce(readings_used, 0) as readings_used,
    coalesce(readings_in_window, 0) as readings_in_window,
    coalesce(readings_outside_window, 0) as readings_outside_window,
    coalesce(readings_missed, 0) as readings_missed, missed_by_reason,
    coalesce(readings_void, 0) as readings_void,
    readings_k4, coalesce(diastolics_used, 0) as diastolics_used,
    coalesce(readings_due, 0) as readings_due, coalesce(prompts_superseded, 0) as prompts_superseded,
    stages_loaded, watts_highest_stage, stages_ridden,
    ['stop', 'caution', 'check', 'note'][severity] as worst_flag,
    coalesce(flags_stop, 0) as flags_stop, coalesce(flags_caution, 0) as flags_caution,
    coalesce(flags_check, 0) as flags_check, coalesce(flags_note, 0) as flags_note,
    coalesce(lines_rejected, 0) as lines_rejected, clock_offsets, coalesce(samples_n, 0) as samples_n
from test_opened
left join taken using (study, test_id)
left join missed using (study, test_id)
left join prompts using (study, test_id)
left join ridden using (study, test_id)
left join worst using (study, test_id)
left join rejected using (study, test_id)
left join clocks using (study, test_id)
left join sampled using (study, test_id)
