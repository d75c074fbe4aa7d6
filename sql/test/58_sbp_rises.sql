-- sbp_rises: one row a test: how far systolic pressure rose to its peak, and what of it was left after.
-- inputs: test_opened, measures, uncertainty, exercise_end, sbp_peaks, setting.
-- Rise from rest by the METs above rest and by the load of the peak's own reading; u through that of
-- the change, METs and load taken as exact.  Ratios: the used reading nearest to 1 and 3 min after the
-- end of exercise, at most `mark_tolerance_s` away; 3 min to 1 min, and 3 min to the peak.
with marked as (
    select study, test_id, mark_s, reading_id, sbp_mmhg, u_sbp_mmhg
    from (
        select study, test_id, reading_id, sbp_mmhg, seconds_between(exercise_end_at, measured_at) as after_s
        from (select study, test_id, reading_id, sbp_mmhg, measured_at from measures where used)
        join exercise_end using (study, test_id)
    )
    join (select study, test_id, reading_id, u_sbp_mmhg from uncertainty) using (study, test_id, reading_id)
    cross join (select unnest([60, 180]) as mark_s, mark_tolerance_s from setting)
    where abs(after_s - mark_s) <= mark_tolerance_s
    qualify row_number() over (
        partition by study, test_id, mark_s order by abs(after_s - mark_s), after_s, reading_id
    ) = 1
),
gathered as (
    select test_opened.study, test_opened.test_id, sbp_peak_mmhg, sbp_peak_source, sbp_peak_at_least, rise_min_mets,
        sbp_change_rest_mmhg, watts, mets_est, vo2_note, u_sbp_change_rest_mmhg,
        peak.u_sbp_mmhg as u_peak_mmhg,
        one.sbp_mmhg as one_mmhg, one.u_sbp_mmhg as u_one_mmhg,
        three.sbp_mmhg as three_mmhg, three.u_sbp_mmhg as u_three_mmhg
    from test_opened
    cross join (select rise_min_mets from setting)
    left join sbp_peaks using (study, test_id)
    left join (
        select study, test_id, reading_id as sbp_peak_reading_id, sbp_change_rest_mmhg, watts, mets_est, vo2_note
        from measures
    ) as peak_reading using (study, test_id, sbp_peak_reading_id)
    left join (
        select study, test_id, reading_id as sbp_peak_reading_id, u_sbp_mmhg, u_sbp_change_rest_mmhg from uncertainty
    ) as peak using (study, test_id, sbp_peak_reading_id)
    left join marked as one on one.study = test_opened.study and one.test_id = test_opened.test_id
        and one.mark_s = 60
    left join marked as three on three.study = test_opened.study and three.test_id = test_opened.test_id
        and three.mark_s = 180
),
judged as (
    select *,
        case
            when sbp_peak_source = 'immediate' then 'after_exercise'
            when sbp_peak_at_least then 'lower_bound'
            when sbp_change_rest_mmhg is null then null
            when watts is null then 'no_load'
            when mets_est is null then 'no_mass'
            when mets_est < rise_min_mets then 'under_3_mets'
        end as reason,
        sbp_change_rest_mmhg is not null and reason is null as has_rise,
        three_mmhg / one_mmhg as ratio_1min,
        case when not sbp_peak_at_least then three_mmhg / sbp_peak_mmhg end as ratio_peak
    from gathered
)
select study, test_id,
    case when has_rise then sbp_change_rest_mmhg / (mets_est - 1) end as sbp_rise_mmhg_per_met,
    case when has_rise then u_sbp_change_rest_mmhg / (mets_est - 1) end as u_sbp_rise_mmhg_per_met,
    case when has_rise then sbp_change_rest_mmhg / watts end as sbp_rise_mmhg_per_w,
    case when has_rise then u_sbp_change_rest_mmhg / watts end as u_sbp_rise_mmhg_per_w,
    case when has_rise then vo2_note else reason end as sbp_rise_note,
    ratio_1min as sbp_recovery_3min_1min,
    u_of_ratio(ratio_1min, three_mmhg, u_three_mmhg, one_mmhg, u_one_mmhg) as u_sbp_recovery_3min_1min,
    ratio_peak as sbp_recovery_3min_peak,
    u_of_ratio(ratio_peak, three_mmhg, u_three_mmhg, sbp_peak_mmhg, u_peak_mmhg) as u_sbp_recovery_3min_peak,
    case
        when three_mmhg is null then 'no_reading_3min'
        when one_mmhg is null then 'no_reading_1min'
    end as sbp_recovery_note,
    case
        when three_mmhg is null then 'no_reading_3min'
        when sbp_peak_at_least then 'lower_bound'
    end as sbp_recovery_peak_note
from judged
