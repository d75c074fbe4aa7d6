-- reading_candidates: one row a reading (or stated exertion) and thing that a flag could be raised for.
-- inputs: flag_readings, test_limit, exertion_rated, stages.
-- {code, quantity, observed, detail}, judged in 61_flags; observed null: nothing to judge.
with twice as (
    select study, test_id, due_seq, count(*) as entries
    from flag_readings as reading where status = 'taken' and role = 'primary' and due_seq is not null
    group by study, test_id, due_seq
),
paired as (
    select second.study, second.test_id, second.reading_id,
        abs(second.sbp_mmhg - first.sbp_mmhg) as k1_apart,
        case when second.dbp_phase = first.dbp_phase then abs(second.dbp_mmhg - first.dbp_mmhg) end as dbp_apart
    from flag_readings as second
    join flag_readings as first on first.study = second.study and first.test_id = second.test_id
        and first.reading_id = second.pair_seq
    where second.role = 'second'
),
planned as (
    select study, test_id, reading_id, measured_at, phase, stage_index,
        used as was_used,
        not used and (status = 'missed' or used_note = 'doubtful') as failed
    from flag_readings as reading
    -- an entry that came late stands beside the miss that the recorder wrote
    where role = 'primary' or (status = 'missed' and not exists (from twice
        where twice.study = reading.study and twice.test_id = reading.test_id and twice.due_seq = reading.due_seq))
),
unwatched as (
    select study, test_id, reading_id, measured_at, phase, stage_index,
        failed and lag(failed) over (partition by study, test_id order by measured_at, reading_id) as two_failed
    from planned
    where phase in ('warmup', 'exercise')
)
select study, test_id, reading_id as target_seq, stage_index, phase, measured_at as flag_at, unnest([
    {code: 'systolic_high', quantity: 'k1', observed: case when not k1_at_least then sbp_mmhg end,
     detail: null::varchar},
    {code: 'systolic_high', quantity: 'lower_bound', observed: case when k1_at_least then sbp_mmhg end,
     detail: 'at least'},
    {code: 'diastolic_high', quantity: 'k5', observed: case when dbp_phase = 'K5' then dbp_mmhg end,
     detail: null},
    {code: 'diastolic_high', quantity: 'k4', observed: case when dbp_phase = 'K4' then dbp_mmhg end,
     detail: '4th phase'},
    {code: 'diastolic_response', quantity: 'rise', observed: dbp_change_rest_mmhg, detail: 'above rest'},
    {code: 'diastolic_response', quantity: 'dbp', observed: case when used and not dbp_next_load then dbp_mmhg end,
     detail: 'diastolic'},
    {code: 'diastolic_response', quantity: 'dbp_marked',
     observed: case when used and not dbp_next_load then dbp_mmhg end, detail: 'diastolic'},
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
    {code: 'inflation_low', quantity: 'margin_small',
     observed: case when not k1_at_least then inflated_to_mmhg - sbp_mmhg end,
     detail: 'inflated above the first sound by'},
    {code: 'inflation_low', quantity: 'margin',
     observed: case when not k1_at_least then inflated_to_mmhg - sbp_mmhg end,
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
     observed: case when gauge_step_mmhg = 2 then coalesce(cast(sbp_mmhg % 2 > 0 as int), 0)
        + coalesce(cast(dbp_k4_mmhg % 2 > 0 as int), 0) + coalesce(cast(dbp_k5_mmhg % 2 > 0 as int), 0) end,
     detail: 'odd values on a 2 mmHg dial'},
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
        when aims_at in ('mark', 'immediate') and measured_at > window_closes
            then format('first sound {:.0f} s after the window', seconds_between(window_closes, measured_at))
        when aims_at in ('mark', 'immediate')
            then format('first sound {:.0f} s {} its mark', abs(seconds_between(first_sound_due, measured_at)),
                case when measured_at > first_sound_due then 'after' else 'before' end)
        when last_sound_at > window_closes
            then format('last sound {:.0f} s after the window', seconds_between(window_closes, last_sound_at))
        when pump_started_at < cuff_up
            then format('pumped {:.0f} s early', seconds_between(pump_started_at, cuff_up)) end},
    {code: 'repeats_apart', quantity: 'difference',
     observed: case when phase = 'rest' and used
        then greatest(sbp_mmhg - k1_lowest_before, k1_highest_before - sbp_mmhg) end, detail: null},
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
from flag_readings as reading
-- what a second observer heard enters agreement only
where role = 'primary' or status = 'missed'
union all
select reading.study, reading.test_id, reading_id, stage_index, phase, measured_at,
    {code: 'entered_twice', quantity: 'entries', observed: entries, detail: null}
from flag_readings as reading join twice using (study, test_id, due_seq)
where status = 'taken' and role = 'primary'
union all
select paired.study, paired.test_id, paired.reading_id, stage_index, phase, measured_at,
    {code: 'observers_apart', quantity: 'difference', observed: greatest(k1_apart, dbp_apart), detail: null}
from paired join flag_readings using (study, test_id, reading_id)
union all
select unwatched.study, unwatched.test_id, reading_id, stage_index, phase, measured_at,
    {code: 'pressure_unwatched', quantity: 'running_missed', observed: case when two_failed then 2 end,
     detail: 'two planned readings running missed or doubtful'}
from unwatched
union all
select reading.study, reading.test_id, reading_id, stage_index, phase, measured_at,
    {code: 'protocol_limit', quantity: test_limit.quantity,
     observed: case test_limit.quantity when 'sbp_mmhg' then sbp_mmhg when 'dbp_mmhg' then dbp_mmhg end
        - test_limit.threshold,
     detail: format('limit of this test: {} {:g}', test_limit.quantity, test_limit.threshold)}
from flag_readings as reading join test_limit using (study, test_id)
where test_limit.quantity in ('sbp_mmhg', 'dbp_mmhg') and role = 'primary'
union all
select exertion.study, exertion.test_id, stage_seq, stage_index, phase, exertion.event_time,
    {code: 'protocol_limit', quantity: 'rpe', observed: rpe - test_limit.threshold,
     detail: format('limit of this test: rpe {:g}', test_limit.threshold)}
from exertion_rated as exertion
join test_limit using (study, test_id)
asof join stages on stages.study = exertion.study and stages.test_id = exertion.test_id
    and exertion.event_time > stages.opens_at
where test_limit.quantity = 'rpe' and not void and coalesce(about, 'overall') = 'overall'
