-- sbp_at_loads: one row a test: systolic pressure at the load and the share of reserve of the rules.
-- inputs: test_opened, sbp_brackets, measures, stage_loads, rest_values, setting.
-- mmHg, on the line between the two readings that bracket it; where none do, why: the stages end below
-- it, or the stage that would have bracketed it has no used reading, or there is no such stage.
with asked as (
    select study, test_id, unnest([
            {quantity: 'watts', place: sbp_at_watts}, {quantity: 'percent_reserve', place: sbp_at_percent_reserve}
        ]) as wanted,
        hr_rest_bpm, hr_max_predicted(hr_max_method, age_years) as hr_max_bpm, age_years
    from (select study, test_id, age_years from test_opened)
    cross join (select sbp_at_watts, sbp_at_percent_reserve, hr_max_method from setting)
    left join (select study, test_id, hr_rest_bpm from rest_values) using (study, test_id)
),
found as (
    select asked.study, asked.test_id, quantity,
        between_mmhg(low, high, low_mmhg, high_mmhg, wanted.place) as sbp_mmhg,
        u_between_mmhg(low, high, u_low_mmhg, u_high_mmhg, wanted.place) as u_mmhg
    from asked
    join sbp_brackets on sbp_brackets.study = asked.study and sbp_brackets.test_id = asked.test_id
        and quantity = wanted.quantity and wanted.place between low and high
    qualify row_number() over (partition by asked.study, asked.test_id, quantity order by low, low_reading_id) = 1
),
-- where each exercise stage lies, and whether a reading of it was used
ridden as (
    select asked.study, asked.test_id, wanted, stage_index,
        case wanted.quantity when 'watts' then coalesce(watts, watts_mean)
            else coalesce(percent_reserve, 100 * (stage_hr_bpm - hr_rest_bpm) / nullif(hr_max_bpm - hr_rest_bpm, 0)) end
            as stage_at,
        case wanted.quantity when 'watts' then watts else percent_reserve end is not null as is_read
    from asked
    join (select study, test_id, stage_index, watts_mean, stage_hr_bpm from stage_loads where phase = 'exercise')
        using (study, test_id)
    left join (
        select study, test_id, stage_index, max(watts) as watts, max(hr_percent_reserve) as percent_reserve
        from measures where used and phase = 'exercise' group by study, test_id, stage_index
    ) using (study, test_id, stage_index)
),
around as (
    select study, test_id, wanted.quantity as quantity, count(*) as stages_n, max(stage_at) as highest,
        coalesce(max(stage_at) filter (where is_read and stage_at <= wanted.place), -1e9) as read_below,
        coalesce(min(stage_at) filter (where is_read and stage_at >= wanted.place), 1e9) as read_above,
        min(stage_at) filter (where not is_read and stage_at >= wanted.place) as unread_above,
        max(stage_at) filter (where not is_read and stage_at <= wanted.place) as unread_below
    from ridden
    group by study, test_id, wanted.quantity
),
judged as (
    select asked.study, asked.test_id, wanted.quantity as quantity, wanted.place as wanted_at, sbp_mmhg, u_mmhg,
        case
            when sbp_mmhg is not null then null
            when stages_n is null then 'no_exercise_stage'
            when wanted.quantity <> 'watts' and hr_max_bpm <= hr_rest_bpm + 20 then 'reserve_under_20'
            when highest is null and wanted.quantity = 'watts' then 'no_load'
            when highest is null and hr_max_bpm is null
                then case when age_years is null then 'no_age' else 'under_18' end
            when highest is null then 'no_heart_rate'
            when highest < wanted.place then 'stopped_before'
            when unread_above < read_above or unread_below > read_below then 'missed'
            else 'not_bracketed'
        end as reason
    from asked
    left join found on found.study = asked.study and found.test_id = asked.test_id and found.quantity = wanted.quantity
    left join around on around.study = asked.study and around.test_id = asked.test_id
        and around.quantity = wanted.quantity
)
select by_load.study, by_load.test_id, by_load.wanted_at as sbp_at_watts, by_load.sbp_mmhg as sbp_at_watts_mmhg,
    by_load.u_mmhg as u_sbp_at_watts_mmhg,
    case when by_load.sbp_mmhg is null then by_load.reason end as sbp_at_watts_note,
    by_reserve.wanted_at as sbp_at_percent_reserve, by_reserve.sbp_mmhg as sbp_at_percent_reserve_mmhg,
    by_reserve.u_mmhg as u_sbp_at_percent_reserve_mmhg,
    case when by_reserve.sbp_mmhg is null then by_reserve.reason end as sbp_at_percent_reserve_note
from judged as by_load
join judged as by_reserve on by_reserve.study = by_load.study and by_reserve.test_id = by_load.test_id
where by_load.quantity = 'watts' and by_reserve.quantity = 'percent_reserve'
