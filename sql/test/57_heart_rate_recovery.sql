-- heart_rate_recovery: one row a test: how far heart rate rose and how fast it fell, bpm.
-- inputs: test_opened, exercise_end, hr_peaks, rest_values, stages, samples, setting.
-- At a mark: the mean in (mark - 5 s, mark + 5 s]; without a sample there, between the samples before
-- and after it where they are at most 15 s apart; of the first source by rank that gives it.
-- recovery_mode: from load and cadence of the first minute and the posture of recovery.
with after as (
    select samples.study, samples.test_id, seq, seconds_between(exercise_end_at, sampled_at) as after_s,
        watts, watts_counts, watts_rank, cadence_rpm, cadence_counts, cadence_rank,
        heart_rate_bpm, heart_rate_counts, heart_rate_rank, heart_rate_from_rr
    from samples
    join exercise_end on exercise_end.study = samples.study and exercise_end.test_id = samples.test_id
        and sampled_at > exercise_end_at and sampled_at <= exercise_end_at + to_seconds(140)
),
at_marks as (
    select study, test_id, mark_s, heart_rate_rank,
        coalesce(
            case when bool_or(heart_rate_from_rr)
                then count(*) filter (where from_mark_s > -5 and from_mark_s <= 5)
                    / sum(1 / heart_rate_bpm order by seq) filter (where from_mark_s > -5 and from_mark_s <= 5)
                else avg(heart_rate_bpm order by seq) filter (where from_mark_s > -5 and from_mark_s <= 5)
            end,
            case when min(from_mark_s) filter (where from_mark_s > 0) - max(from_mark_s) filter (where from_mark_s <= 0)
                    <= 15
                then arg_max(heart_rate_bpm, from_mark_s) filter (where from_mark_s <= 0)
                    - (arg_min(heart_rate_bpm, from_mark_s) filter (where from_mark_s > 0)
                        - arg_max(heart_rate_bpm, from_mark_s) filter (where from_mark_s <= 0))
                    * max(from_mark_s) filter (where from_mark_s <= 0)
                    / (min(from_mark_s) filter (where from_mark_s > 0)
                        - max(from_mark_s) filter (where from_mark_s <= 0))
            end
        ) as bpm
    from (
        select *, after_s - mark_s as from_mark_s
        from after
        cross join (select unnest([60, 120]) as mark_s)
        where heart_rate_counts and heart_rate_rank is not null
    )
    where from_mark_s > -20 and from_mark_s <= 20
    group by study, test_id, mark_s, heart_rate_rank
),
recovered as (
    select study, test_id,
        arg_min(bpm, heart_rate_rank) filter (where mark_s = 60 and bpm is not null) as at_60_bpm,
        arg_min(bpm, heart_rate_rank) filter (where mark_s = 120 and bpm is not null) as at_120_bpm
    from at_marks
    group by study, test_id
),
pedalled as (
    select study, test_id,
        arg_min(mean_value, priority) filter (where measure = 'watts') as watts,
        arg_min(mean_value, priority) filter (where measure = 'cadence') as cadence_rpm
    from (
        select study, test_id, one.measure as measure, one.priority as priority,
            avg(one.reading order by seq) as mean_value
        from (
            select study, test_id, seq, unnest([
                {measure: 'watts', reading: watts, counts: watts_counts, priority: watts_rank},
                {measure: 'cadence', reading: cadence_rpm, counts: cadence_counts, priority: cadence_rank}
            ]) as one
            from after
            where after_s <= 60
        )
        where one.counts and one.priority is not null
        group by study, test_id, one.measure, one.priority
    )
    group by study, test_id
),
postures as (
    select stages.study, stages.test_id, arg_min(position, started_at) as position
    from stages
    join exercise_end using (study, test_id)
    where phase = 'recovery' and ended_at > exercise_end_at
    group by stages.study, stages.test_id
),
gathered as (
    select test_opened.study, test_opened.test_id, intent, hr_max_method,
        hr_max_predicted(hr_max_method, age_years) as hr_max_pred_bpm, hr_peak_bpm, hr_rest_bpm, at_60_bpm, at_120_bpm,
        case when contains(coalesce(medication, ''), 'beta_blocker') then 'beta_blocker'
            when medication is null or contains(medication, 'unknown') then 'medication_unknown' end as mark,
        exercise_end_at, position, watts, cadence_rpm,
        watts >= recovery_active_watts or cadence_rpm >= recovery_active_rpm as is_active,
        position = 'supine' or (position = 'ergometer' and ergometer_posture = 'supine') as is_supine
    from test_opened
    cross join (select hr_max_method, recovery_active_watts, recovery_active_rpm from setting)
    left join exercise_end using (study, test_id)
    left join hr_peaks using (study, test_id)
    left join (select study, test_id, hr_rest_bpm from rest_values) using (study, test_id)
    left join recovered using (study, test_id)
    left join pedalled using (study, test_id)
    left join postures using (study, test_id)
)
select study, test_id, hr_max_pred_bpm, hr_max_method,
    case when intent = 'maximal' and hr_max_pred_bpm > hr_rest_bpm + 20
        then (hr_peak_bpm - hr_rest_bpm) / (hr_max_pred_bpm - hr_rest_bpm) end as chronotropic_index,
    case
        when coalesce(intent, '') <> 'maximal' then 'not_maximal'
        when hr_peak_bpm is null or hr_rest_bpm is null or hr_max_pred_bpm is null then null
        when hr_max_pred_bpm <= hr_rest_bpm + 20 then 'reserve_under_20'
        else mark
    end as chronotropic_note,
    hr_peak_bpm - at_60_bpm as hr_recovery_1min_bpm,
    hr_peak_bpm - at_120_bpm as hr_recovery_2min_bpm,
    case when hr_peak_bpm is not null and (at_60_bpm is null or at_120_bpm is null) then 'no_sample' end
        as hr_recovery_note,
    case
        when exercise_end_at is null then null
        when is_active then 'active'
        when is_supine then 'supine'
        when watts is not null or cadence_rpm is not null or position <> 'ergometer' then 'passive'
    end as recovery_mode,
    case
        when exercise_end_at is null or recovery_mode is not null then null
        when position is null then 'no_stage'
        else 'no_sample'
    end as recovery_mode_note
from gathered
