-- readings: one row a reading taken or missed: what it says, in which stage, whether it is used.
-- inputs: reading_taken, reading_missed, exertion_rated, reading_due, stages, setting.
-- Pressures mmHg.  measured_at is the first sound (k1).  Used: primary, k1 known and no lower
-- bound, not doubtful, not void, not the later of two primary entries for one prompt,
-- k1 above the diastolic.
with entered as (
    select study, test_id, seq as reading_id,
        case when void then 'void' else 'taken' end as status,
        due_seq, event_time as measured_at, elapsed_s as entered_s, measured_source,
        k1_mmhg, coalesce(k1_at_least, false) as k1_at_least, k4_mmhg, k5_mmhg, heard_to_mmhg,
        palpated_mmhg, last_sound_at, arm, position as stated_position, inflated_to_mmhg,
        deflation_mmhg_per_s as stated_mmhg_per_s, deflation_mmhg_per_beat as stated_mmhg_per_beat,
        clarity, arm_support, arm_below_heart_cm, observer, coalesce(role, 'primary') as role,
        pair_seq, note, cast(null as bigint) as missed_stage_index,
        cast(null as boolean) as attempted, cast(null as varchar) as missed_reason
    from reading_taken
    union all by name
    select study, test_id, seq as reading_id, case when void then 'void' else 'missed' end as status,
        due_seq, event_time as measured_at, elapsed_s as entered_s,
        stage_index as missed_stage_index, attempted, reason as missed_reason, text as note
    from reading_missed
),
staged as (
    select entered.* exclude (missed_stage_index),
        due.cuff_up, due.first_sound_due, due.window_closes, due.listen_to_mmhg, due.expected_dbp_mmhg,
        due.aims_at, due.fits,
        coalesce(missed_stage_index, due_stage.stage_index) is not null as stage_from_due,
        coalesce(missed_stage_index, due_stage.stage_index,
            case when entered.measured_at <= by_time.ended_at then by_time.stage_index end) as stage_index,
        case
            when dbp_policy = 'k4_throughout' then k4_mmhg
            when dbp_policy = 'k5_throughout' or k5_mmhg >= k5_floor_mmhg then k5_mmhg
            else k4_mmhg
        end as dbp_mmhg,
        case
            when dbp_policy = 'k5_throughout' or (dbp_policy = 'per_reading' and k5_mmhg >= k5_floor_mmhg)
                then case when k5_mmhg is not null then 'K5' end
            when k4_mmhg is not null then 'K4'
        end as dbp_phase
    from entered
    cross join setting
    left join reading_due as due on due.study = entered.study and due.test_id = entered.test_id
        and due.seq = entered.due_seq
    asof left join stages as by_time on by_time.study = entered.study and by_time.test_id = entered.test_id
        and entered.measured_at > by_time.opens_at
    left join stages as due_stage on due_stage.study = entered.study and due_stage.test_id = entered.test_id
        and due_stage.stage_index = due.stage_index
        and entered.measured_at > due_stage.opens_at
        and entered.measured_at <= plus_s(due_stage.ended_at, 10)
),
-- windows run over few columns: what they cost grows with the width of what they pass on
near as (
    select staged.study, staged.test_id, staged.reading_id, exertion.seq as rpe_seq,
        exertion.due_seq = staged.due_seq as same_prompt,
        abs(seconds_between(exertion.event_time, staged.measured_at)) as apart_s
    from staged
    join exertion_rated as exertion on exertion.study = staged.study and exertion.test_id = staged.test_id
    where staged.status <> 'void' and staged.role = 'primary'
        and not exertion.void and coalesce(exertion.about, 'overall') = 'overall'
        and (exertion.due_seq = staged.due_seq
            or abs(seconds_between(exertion.event_time, staged.measured_at)) <= 60
            -- one person asks 20 s before the stand-by, which is 40 s before the cuff goes up
            or exertion.event_time between plus_s(staged.cuff_up, -60) and staged.measured_at)
),
rated as (
    select study, test_id, reading_id, rpe, rpe_scale, rpe_seq
    from (
        select study, test_id, reading_id, rpe_seq
        from near
        qualify row_number() over (
            partition by study, test_id, rpe_seq order by same_prompt desc nulls last, apart_s, reading_id
        ) = 1
        and row_number() over (
            partition by study, test_id, reading_id order by same_prompt desc nulls last, apart_s, rpe_seq desc
        ) = 1
    )
    join (select study, test_id, seq as rpe_seq, rpe, rpe_scale from exertion_rated)
        using (study, test_id, rpe_seq)
),
answers as (
    select study, test_id, reading_id, row_number() over (
            partition by study, test_id, due_seq, status = 'taken' and role = 'primary' order by reading_id
        ) as answer
    from (select study, test_id, reading_id, due_seq, status, role from staged)
)
select staged.*,
    stages.label as stage_label, stages.phase, stages.loaded, stages.is_ramp, stages.target_watts,
    stages.started_at, stages.ended_at, stages.opens_at,
    case when staged.stage_index is null then null when stage_from_due then 'due' else 'time' end as stage_source,
    coalesce(stated_position, stages.position) as position,
    k5_mmhg as dbp_k5_mmhg, k4_mmhg as dbp_k4_mmhg,
    case when status = 'taken' and dbp_mmhg is null then coalesce(k5_mmhg, heard_to_mmhg) end as dbp_upper_mmhg,
    rated.rpe, rated.rpe_scale, rated.rpe_seq,
    case
        when status <> 'taken' then status
        when role <> 'primary' then 'second_observer'
        when k1_mmhg is null then 'no_systolic'
        when clarity = 'doubtful' then 'doubtful'
        when due_seq is not null and answer > 1 then 'entered_twice'
        when k1_mmhg <= dbp_mmhg then 'not_above_diastolic'
        -- last: said of what could be used but for this
        when k1_at_least then 'lower_bound'
    end as used_note,
    used_note is null as used,
    cast(case measured_source when 'marked' then 1 when 'stated' then 5 when 'estimated' then 15 end as double)
        as u_time_s
from staged
join answers on answers.study = staged.study and answers.test_id = staged.test_id
    and answers.reading_id = staged.reading_id
left join stages on stages.study = staged.study and stages.test_id = staged.test_id
    and stages.stage_index = staged.stage_index
left join rated on rated.study = staged.study and rated.test_id = staged.test_id
    and rated.reading_id = staged.reading_id
