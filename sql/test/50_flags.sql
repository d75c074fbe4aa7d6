-- flags: one row a code and target: what lies outside a cited limit, as of journal_end.as_of.
-- inputs: measures, readings, stages, stage_loads, rest_values, falls, gaps, sources, test_opened,
-- test_limit, reading_due, symptom_noted, sign_noted, cuff_changed, line_rejected, rule, setting,
-- flag_raised, flag_acknowledged.
-- One list of candidates {code, quantity, observed}, joined to the rules by operator: a new rule is
-- one line here and one table in rules.toml.  Of several rules for one code and target the most
-- severe stands.  target_seq: the reading, else the stage_started, else the test_opened.
with reading as materialized (
    select measures.study, measures.test_id, reading_id, status, used, used_note, due_seq,
        measures.stage_index, measures.phase, measured_at, sbp_mmhg, k1_at_least, dbp_mmhg, dbp_phase,
        dbp_upper_mmhg, dbp_k4_mmhg, dbp_k5_mmhg, arm, arm_support, arm_below_heart_cm, role, pair_seq,
        inflated_to_mmhg, deflation_mmhg_per_s, deflation_per_s_source, deflation_mmhg_per_beat,
        deflation_per_beat_source, deflation_between_mmhg_per_s, pump_started_at, last_sound_at, cuff_up,
        window_closes, in_window, in_window_note, rpe, missed_reason,
        gauge_step_mmhg, rest_values.sbp_rest_mmhg, stages.loaded,
        seconds_between(stages.started_at, coalesce(pump_started_at, measured_at)) as rest_before_s,
        lag(arm ignore nulls) over in_order as arm_before,
        lag(case when measures.used then sbp_mmhg end ignore nulls) over in_stage as k1_before,
        lag(released_at) over in_order as released_before
    from measures
    join test_opened using (study, test_id)
    left join stages using (study, test_id, stage_index)
    left join rest_values using (study, test_id)
    where status <> 'void'
    window in_order as (partition by measures.study, measures.test_id order by measured_at, reading_id),
        in_stage as (partition by measures.study, measures.test_id, measures.stage_index
            order by measured_at, reading_id)
),
twice as (
    select study, test_id, due_seq, count(*) as entries
    from reading where status = 'taken' and role = 'primary' and due_seq is not null
    group by study, test_id, due_seq
),
paired as (
    select second.study, second.test_id, second.reading_id,
        abs(second.sbp_mmhg - first.sbp_mmhg) as k1_apart,
        case when second.dbp_phase = first.dbp_phase then abs(second.dbp_mmhg - first.dbp_mmhg) end as dbp_apart
    from reading as second
    join reading as first on first.study = second.study and first.test_id = second.test_id
        and first.reading_id = second.pair_seq
    where second.role = 'second'
),
symptoms as materialized (
    select study, test_id, seq, event_time, code, case code
            when 'chest_pain' then coalesce(severity, 2) else coalesce(severity, 1) end as severity
    from symptom_noted where not void
    union all
    select study, test_id, seq, event_time, 'sign', coalesce(severity, 1) from sign_noted where not void
),
in_force as (
    select symptoms.*, stages.phase, stages.stage_index
    from symptoms
    asof left join stages on symptoms.study = stages.study and symptoms.test_id = stages.test_id
        and symptoms.event_time > stages.opens_at
),
fallen as materialized (
    select falls.study, falls.test_id, reading_id, stage_index, measured_at, k1_mmhg, clarity, load_watts,
        load_source, reference_mmhg, reference_at, fall_mmhg, next_id, next_at, next_watts, next_k1_mmhg,
        before_k1_mmhg, before_stage_index, sbp_rest_mmhg, first_loaded_index,
        exists (from symptoms where symptoms.study = falls.study and symptoms.test_id = falls.test_id
            and abs(seconds_between(symptoms.event_time, falls.measured_at)) <= fall_symptom_s) as has_symptom,
        fall_confirm, fall_confirm_s, fall_confirm_watts,
        format('{:.0f} below {:.0f} mmHg at {} ({:.0f} W){}', fall_mmhg, reference_mmhg,
            strftime(reference_at, '%H:%M:%S'), reference_watts,
            case load_source when 'target' then '; load not logged, target used' else '' end) as fall_words
    from falls
    cross join setting
    left join rest_values using (study, test_id)
    left join (select study, test_id, min(stage_index) as first_loaded_index from stages where loaded
        group by study, test_id) using (study, test_id)
),
stage as materialized (
    select stage_loads.study, stage_loads.test_id, stage_seq, stage_index, phase, ended_at, loaded, is_ramp,
        is_over, started_by, planned_s, ridden_s, watts_mean,
        watts_mean - lag(watts_mean) over loaded_order as watts_step,
        stage_hr_bpm - lag(stage_hr_bpm) over loaded_order as hr_step,
        max(watts_mean) over (partition by stage_loads.study, stage_loads.test_id, loaded
            order by stage_index rows between unbounded preceding and 1 preceding) as highest_before,
        lead(phase) over (partition by stage_loads.study, stage_loads.test_id order by stage_index) as next_phase,
        max(watts_mean) filter (where loaded) over (
            partition by stage_loads.study, stage_loads.test_id) as highest_watts,
        target_watts + case when is_ramp then (target_watts_to - target_watts)
            * least(1, (load_grace_s + ridden_s) / 2 / nullif(planned_s, 0)) else 0 end as target_mean,
        load_off_percent, hr_rise_watts, medication, pacemaker, test_opened.has_protocol
    from stage_loads
    join test_opened using (study, test_id)
    cross join setting
    window loaded_order as (partition by stage_loads.study, stage_loads.test_id, loaded order by stage_index)
),
highest as (
    select study, test_id, min(stage_index) as highest_index
    from stage where loaded and watts_mean = highest_watts
    group by study, test_id
),
hr_flat as (
    select study, test_id, stage_seq, stage_index, phase, ended_at,
        case when watts_step >= hr_rise_watts then hr_step end as rise,
        lag(case when watts_step >= hr_rise_watts then hr_step end) over (
            partition by study, test_id order by stage_index) as rise_before
    from stage
    where loaded and is_over and not coalesce(contains(medication, 'beta_blocker'), false)
        and not coalesce(pacemaker, false)
),
rest_stage as materialized (
    select reading.study, reading.test_id, reading.stage_index, max(reading_id) as target_seq,
        max(measured_at) as flag_at,
        case when count(*) filter (where used) >= 2
            then avg(sbp_mmhg order by measured_at, reading_id) filter (where used) end as mean_sbp,
        case when count(dbp_mmhg) filter (where used) >= 2 and count(distinct dbp_phase) filter (where used) = 1
            then avg(dbp_mmhg order by measured_at, reading_id) filter (where used) end as mean_dbp,
        list_sort(list(sbp_mmhg) filter (where k1_at_least), 'desc')[2] as second_lower_bound,
        min(rest_before_s) as rest_before_s
    from reading
    where phase = 'rest' and status = 'taken'
    group by reading.study, reading.test_id, reading.stage_index
),
planned as (
    select study, test_id, reading_id, measured_at, phase, stage_index,
        used as was_used,
        not used and (status = 'missed' or used_note = 'doubtful') as failed
    from reading
    where role = 'primary' or role is null or status = 'missed'
),
unwatched as (
    select study, test_id, reading_id, measured_at, phase, stage_index,
        failed and lag(failed) over (partition by study, test_id order by measured_at, reading_id) as two_failed
    from planned
    where phase in ('warmup', 'exercise')
),
watched as (
    select stages.study, stages.test_id, started_at as moment, cast(null as bigint) as reading_id
    from stages where loaded
    qualify row_number() over (partition by stages.study, stages.test_id order by stage_index) = 1
    union all
    select study, test_id, measured_at, reading_id from reading where used and loaded
    union all
    select study, test_id, least(max(ended_at) filter (where loaded), max(as_of)), null
    from stages join journal_end using (study, test_id)
    group by study, test_id having bool_or(loaded)
),
unwatched_for as (
    select watched.study, watched.test_id, moment,
        seconds_between(lag(moment) over (partition by watched.study, watched.test_id order by moment), moment)
            as unused_s
    from watched
),
cuffs as (
    select study, test_id, seq, event_time, bladder_length_cm, bladder_width_cm from test_opened
    union all
    select study, test_id, seq, event_time, bladder_length_cm, bladder_width_cm from cuff_changed
),
candidate as (
    select study, test_id, reading_id as target_seq, stage_index, phase, measured_at as flag_at, unnest([
        {code: 'systolic_high', quantity: 'k1', observed: case when not k1_at_least then sbp_mmhg end,
         detail: null::varchar},
        {code: 'systolic_high', quantity: 'lower_bound', observed: case when k1_at_least then sbp_mmhg end,
         detail: 'at least'},
        {code: 'diastolic_high', quantity: 'k5', observed: case when dbp_phase = 'K5' then dbp_mmhg end,
         detail: null},
        {code: 'diastolic_high', quantity: 'k4', observed: case when dbp_phase = 'K4' then dbp_mmhg end,
         detail: '4th phase'},
        {code: 'systolic_above_cuff', quantity: 'presence', observed: case when k1_at_least then 1 end,
         detail: 'sounds were there when pumping stopped'},
        {code: 'implausible_pair', quantity: 'pulse_pressure',
         observed: case when not k1_at_least then sbp_mmhg - dbp_mmhg end, detail: 'k1 minus diastolic'},
        {code: 'implausible_pair', quantity: 'pulse_pressure_wide',
         observed: case when not k1_at_least then sbp_mmhg - dbp_mmhg end, detail: 'k1 minus diastolic'},
        {code: 'implausible_pair', quantity: 'k1', observed: sbp_mmhg, detail: 'k1'},
        {code: 'implausible_pair', quantity: 'k1_low', observed: case when not k1_at_least then sbp_mmhg end,
         detail: 'k1'},
        {code: 'implausible_pair', quantity: 'dbp', observed: dbp_mmhg, detail: 'diastolic'},
        {code: 'implausible_pair', quantity: 'k4_above_k1', observed: dbp_k4_mmhg - sbp_mmhg,
         detail: 'k4 not below k1'},
        {code: 'implausible_pair', quantity: 'k5_above_k4', observed: dbp_k5_mmhg - dbp_k4_mmhg,
         detail: 'k5 above k4'},
        {code: 'diastolic_unresolved', quantity: 'presence',
         observed: case when status = 'taken' and dbp_mmhg is null then 1 end,
         detail: case when dbp_upper_mmhg is not null then format('at most {:.0f} mmHg', dbp_upper_mmhg) end},
        {code: 'fourth_phase_used', quantity: 'presence', observed: case when dbp_phase = 'K4' then 1 end,
         detail: null},
        {code: 'inflation_low', quantity: 'margin_small', observed: inflated_to_mmhg - sbp_mmhg,
         detail: 'inflated above the first sound by'},
        {code: 'inflation_low', quantity: 'margin', observed: inflated_to_mmhg - sbp_mmhg,
         detail: 'inflated above the first sound by'},
        {code: 'arm_unsupported', quantity: 'presence', observed: case when arm_support = 'none' then 1 end,
         detail: null},
        {code: 'arm_off_level', quantity: 'distance', observed: abs(arm_below_heart_cm),
         detail: format('artery {} the heart: the reading is about {:.0f} to {:.0f} mmHg too {}',
            case when arm_below_heart_cm > 0 then 'below' else 'above' end,
            0.5 * abs(arm_below_heart_cm), 0.8 * abs(arm_below_heart_cm),
            case when arm_below_heart_cm > 0 then 'high' else 'low' end)},
        {code: 'arm_changed', quantity: 'presence',
         observed: case when phase <> 'rest' and arm <> arm_before then 1 end, detail: arm},
        {code: 'odd_digit', quantity: 'odd_values',
         observed: case when gauge_step_mmhg = 2 then coalesce(sbp_mmhg % 2, 0) + coalesce(dbp_k4_mmhg % 2, 0)
            + coalesce(dbp_k5_mmhg % 2, 0) end, detail: 'odd values on a 2 mmHg dial'},
        {code: 'deflation_rate', quantity: 'stated_per_s',
         observed: case when deflation_per_s_source = 'stated' then deflation_mmhg_per_s end,
         detail: 'mmHg/s'},
        {code: 'deflation_rate', quantity: 'stated_per_s_fast',
         observed: case when deflation_per_s_source = 'stated' then deflation_mmhg_per_s end,
         detail: 'mmHg/s'},
        {code: 'deflation_rate', quantity: 'stated_per_beat',
         observed: case when deflation_per_beat_source = 'stated' then deflation_mmhg_per_beat end,
         detail: 'mmHg per beat'},
        {code: 'deflation_rate', quantity: 'stated_per_beat_fast',
         observed: case when deflation_per_beat_source = 'stated' then deflation_mmhg_per_beat end,
         detail: 'mmHg per beat'},
        {code: 'deflation_rate', quantity: 'measured_low',
         observed: case when deflation_per_beat_source = 'measured'
            then greatest(deflation_between_mmhg_per_s, deflation_mmhg_per_beat) end,
         detail: 'measured, per s and per beat'},
        {code: 'deflation_rate', quantity: 'measured_high',
         observed: case when deflation_per_beat_source = 'measured'
            then least(deflation_between_mmhg_per_s, deflation_mmhg_per_beat) end,
         detail: 'measured, per s and per beat'},
        {code: 'outside_window', quantity: 'presence', observed: case when not in_window then 1 end,
         detail: case when in_window_note = 'answers_no_prompt' then 'answers no prompt'
            when last_sound_at > window_closes
                then format('last sound {:.0f} s after the window', seconds_between(window_closes, last_sound_at))
            when pump_started_at < cuff_up
                then format('pumped {:.0f} s early', seconds_between(pump_started_at, cuff_up)) end},
        {code: 'repeats_apart', quantity: 'difference',
         observed: case when phase = 'rest' and used then abs(sbp_mmhg - k1_before) end, detail: null},
        {code: 'reading_missed', quantity: 'presence', observed: case when status = 'missed' then 1 end,
         detail: missed_reason},
        {code: 'too_soon', quantity: 'pause_at_rest',
         observed: seconds_between(released_before, pump_started_at), detail: null},
        {code: 'too_soon', quantity: 'pause',
         observed: seconds_between(released_before, pump_started_at), detail: null},
        {code: 'no_stage', quantity: 'presence',
         observed: case when status = 'taken' and stage_index is null then 1 end,
         detail: 'the time of this reading lies in no stage of the test'},
        {code: 'recovery_low', quantity: 'below_rest',
         observed: case when phase = 'recovery' and used then sbp_rest_mmhg - sbp_mmhg end,
         detail: 'below rest'}
    ]) as one
    from reading
    where status = 'taken' or status = 'missed'
    union all
    select reading.study, reading.test_id, reading_id, stage_index, phase, measured_at,
        {code: 'entered_twice', quantity: 'entries', observed: entries, detail: null}
    from reading join twice using (study, test_id, due_seq)
    where status = 'taken' and role = 'primary'
    union all
    select paired.study, paired.test_id, paired.reading_id, stage_index, phase, measured_at,
        {code: 'observers_apart', quantity: 'difference', observed: greatest(k1_apart, dbp_apart), detail: null}
    from paired join reading using (study, test_id, reading_id)
    union all
    select fallen.study, fallen.test_id, fallen.reading_id, stage_index, 'exercise', measured_at, unnest([
        {code: 'systolic_fall', quantity: 'fall', observed: fall_mmhg, detail: fall_words},
        {code: 'systolic_fall_confirmed', quantity: 'clear_fall',
         observed: case when clarity = 'clear' then fall_mmhg end, detail: fall_words},
        {code: 'systolic_fall_confirmed', quantity: 'fall_with_symptom',
         observed: case when has_symptom then fall_mmhg end, detail: fall_words},
        {code: 'systolic_fall_confirmed', quantity: 'fall_unconfirmed',
         observed: case when fall_confirm = 'none' then fall_mmhg end, detail: fall_words},
        {code: 'fall_not_judged', quantity: 'presence',
         observed: case when load_source is null then 1 end, detail: 'neither load nor target is known'},
        {code: 'systolic_below_rest', quantity: 'below_rest_twice',
         observed: case when before_stage_index <> first_loaded_index
            then least(sbp_rest_mmhg - k1_mmhg, sbp_rest_mmhg - before_k1_mmhg) end,
         detail: 'this reading and the one before lie below rest'}
    ])
    from fallen
    union all
    select fallen.study, fallen.test_id, next_id, stage_index, 'exercise', next_at,
        {code: 'systolic_fall_confirmed', quantity: 'repeated_fall',
         observed: least(fall_mmhg, reference_mmhg - next_k1_mmhg),
         detail: format('two readings below {:.0f} mmHg at {}', reference_mmhg, strftime(reference_at, '%H:%M:%S'))}
    from fallen
    where seconds_between(measured_at, next_at) <= fall_confirm_s
        and next_watts >= load_watts - fall_confirm_watts
    union all
    select rest_stage.study, rest_stage.test_id, target_seq, stage_index, 'rest', flag_at, unnest([
        {code: 'resting_pressure_high', quantity: 'mean_sbp', observed: mean_sbp, detail: 'mean systolic at rest'},
        {code: 'resting_pressure_high', quantity: 'mean_dbp', observed: mean_dbp, detail: 'mean diastolic at rest'},
        {code: 'resting_pressure_high', quantity: 'lower_bounds', observed: second_lower_bound,
         detail: 'two readings above the cuff'},
        {code: 'rest_short', quantity: 'rest_before', observed: rest_before_s,
         detail: 'seconds of rest before the first pumping'}
    ])
    from rest_stage
    union all
    select study, test_id, rest_stage_seq, rest_stage_index, 'rest', null, unnest([
        {code: 'rest_single', quantity: 'readings', observed: sbp_rest_n, detail: null},
        {code: 'rest_posture', quantity: 'presence', observed: case when rest_other_posture then 1 end,
         detail: rest_position}
    ])
    from rest_values
    union all
    select study, test_id, stage_seq, stage_index, phase, ended_at, unnest([
        {code: 'load_off_target', quantity: 'watts',
         observed: case when loaded and 100 * abs(watts_mean - target_mean) > load_off_percent * target_mean
            then abs(watts_mean - target_mean) end,
         detail: format('{:.0f} W ridden for {:.0f} W', watts_mean, target_mean)},
        {code: 'stage_differs_from_protocol', quantity: 'watts',
         observed: case when loaded and started_by = 'detected' and planned_s is not null
            then abs(watts_mean - target_mean) end,
         detail: format('{:.0f} W ridden for {:.0f} W', watts_mean, target_mean)},
        {code: 'stage_differs_from_protocol', quantity: 'length',
         observed: case when loaded and is_over and (next_phase in ('warmup', 'exercise') or ridden_s > planned_s)
            then abs(ridden_s - planned_s) end,
         detail: format('{:.0f} s ridden for {:.0f} s', ridden_s, planned_s)},
        {code: 'stage_differs_from_protocol', quantity: 'unplanned',
         observed: case when loaded and has_protocol and started_by = 'detected' and planned_s is null then 1 end,
         detail: 'not in the protocol'}
    ])
    from stage
    union all
    select stage.study, stage.test_id, stage_seq, stage_index, phase, ended_at,
        {code: 'load_not_rising', quantity: 'watts',
         observed: case when stage_index < highest_index then highest_before - watts_mean end,
         detail: format('{:.0f} W after {:.0f} W', watts_mean, highest_before)}
    from stage join highest using (study, test_id)
    where loaded
    union all
    select study, test_id, stage_seq, stage_index, phase, ended_at,
        {code: 'heart_rate_not_rising', quantity: 'rise', observed: greatest(rise, rise_before),
         detail: 'twice running with the load up'}
    from hr_flat
    union all
    select test_opened.study, test_opened.test_id, test_opened.seq, null, null, null,
        {code: 'few_loads', quantity: 'stages',
         observed: count(*) filter (where stage.loaded and ridden_s >= stage_hr_min_s),
         detail: 'loaded stages of 90 s or more'}
    from test_opened
    join journal_end using (study, test_id)
    cross join setting
    join stage using (study, test_id)
    where journal_end.closed
    group by test_opened.study, test_opened.test_id, test_opened.seq
    having not bool_or(stage.is_ramp)
    union all
    select study, test_id, stage_seq, stage_index, phase, opens,
        {code: measure || '_gap', quantity: 'seconds', observed: gap_s,
         detail: format('no sample from {} to {}', strftime(opens, '%H:%M:%S'), strftime(closes, '%H:%M:%S'))}
    from (select * replace (case measure when 'watts' then 'load' else measure end as measure) from gaps)
    union all
    select study, test_id, seq, stage_index, phase, event_time,
        {code: 'symptom', quantity: code, observed: severity, detail: replace(code, '_', ' ')}
    from in_force
    union all
    select unwatched.study, unwatched.test_id, reading_id, stage_index, phase, measured_at,
        {code: 'pressure_unwatched', quantity: 'running_missed', observed: case when two_failed then 2 end,
         detail: 'two planned readings running missed or doubtful'}
    from unwatched
    union all
    select unwatched_for.study, unwatched_for.test_id, stage_seq, stage_index, phase, moment,
        {code: 'pressure_unwatched', quantity: 'unused', observed: unused_s,
         detail: 'seconds under load without a used reading'}
    from unwatched_for
    join stages on stages.study = unwatched_for.study and stages.test_id = unwatched_for.test_id
        and loaded and moment > opens_at and moment <= ended_at
    union all
    select reading_due.study, reading_due.test_id, stages.stage_seq, stages.stage_index, phase,
        reading_due.stand_by,
        {code: 'limit_expected', quantity: 'expected_sbp', observed: expected_sbp_mmhg,
         detail: 'expected at this load'}
    from reading_due join stages using (study, test_id, stage_index)
    where loaded
    union all
    select cuffs.study, cuffs.test_id, cuffs.seq, null, null, cuffs.event_time, unnest([
        {code: 'bladder_length', quantity: 'percent',
         observed: 100 * cuffs.bladder_length_cm / arm_circumference_cm, detail: 'of the arm'},
        {code: 'bladder_length', quantity: 'percent_long',
         observed: 100 * cuffs.bladder_length_cm / arm_circumference_cm, detail: 'of the arm'},
        {code: 'bladder_width', quantity: 'percent',
         observed: 100 * cuffs.bladder_width_cm / arm_circumference_cm, detail: 'of the arm'}
    ])
    from cuffs join test_opened using (study, test_id)
    union all
    select study, test_id, seq, null, null, null,
        {code: 'gauge_unchecked', quantity: 'days', observed: date_diff('day', gauge_checked_on, cast(anchor as date)),
         detail: 'days since the dial was checked'}
    from test_opened
    union all
    select line_rejected.study, line_rejected.test_id, min(sources.seq), null, null, null,
        {code: 'lines_rejected', quantity: 'lines', observed: count(*), detail: line_rejected.source}
    from line_rejected
    join sources on sources.study = line_rejected.study and sources.test_id = line_rejected.test_id
        and sources.name = line_rejected.source
    group by line_rejected.study, line_rejected.test_id, line_rejected.source
    union all
    select reading.study, reading.test_id, reading_id, stage_index, phase, measured_at,
        {code: 'protocol_limit', quantity: test_limit.quantity,
         observed: case test_limit.quantity when 'sbp_mmhg' then sbp_mmhg when 'dbp_mmhg' then dbp_mmhg
            when 'rpe' then rpe end - test_limit.threshold,
         detail: format('limit of this test: {} {:g}', test_limit.quantity, test_limit.threshold)}
    from reading join test_limit using (study, test_id)
    where test_limit.quantity in ('sbp_mmhg', 'dbp_mmhg', 'rpe') and status = 'taken'
),
judged as materialized (
    select candidate.study, candidate.test_id, one.code as code, rule.level, target_seq, stage_index,
        candidate.phase, flag_at, one.quantity as quantity, one.observed as observed, rule.operator,
        rule.threshold, rule.unit, rule.words, one.detail as detail, rule.rule_source,
        array_position(['stop', 'caution', 'check', 'note'], rule.level) as severity, rule.position
    from candidate
    join rule on rule.code = one.code and rule.quantity = one.quantity
    join test_opened using (study, test_id)
    where one.observed is not null
        and crosses(one.observed, rule.operator, rule.threshold)
        and (rule.phase is null or list_contains(string_split(rule.phase, ','), candidate.phase))
        and (rule.intent is null or rule.intent = test_opened.intent)
        and (rule.sex is null or rule.sex = test_opened.sex)
        and (rule.age_min is null or test_opened.age_years >= rule.age_min)
        and (rule.age_max is null or test_opened.age_years < rule.age_max)
    qualify row_number() over (
        partition by candidate.study, candidate.test_id, one.code, target_seq
        order by severity, rule.position, one.observed desc, one.quantity
    ) = 1
),
shown as (
    select study, test_id, code, target_seq, min(event_time) as raised_at
    from flag_raised
    group by study, test_id, code, target_seq
),
seen as (
    select study, test_id, code, target_seq, min(event_time) as acknowledged_at,
        arg_min("by", seq) as acknowledged_by
    from flag_acknowledged
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
        when raised_at is not null or mode = 'join' then 'holds'
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
