-- seated_rests: one row a test: the resting pressure that a guideline's class could be given by, and if not why.
-- inputs: readings, times, stages, stage_values, test_opened, setting.
-- Of the last seated resting stage before load with a used reading: the means of its used readings,
-- `class_readings` or more, the first after `class_rest_s` of rest; adults.  mmHg.
with resting as (
    select stages.study, stages.test_id, stage_index, stage_seq, stages.position, readings_n, sbp_mmhg, dbp_mmhg, first_s,
        row_number() over (
            partition by stages.study, stages.test_id
            order by stages.position = 'seated' desc, stages.started_at desc, stages.stage_index desc
        ) as place
    from (
        select study, test_id, stage_index, stage_seq, position, started_at,
            min(started_at) filter (where loaded) over (partition by study, test_id) as load_at, phase
        from stages
    ) as stages
    join (select study, test_id, stage_index, readings_n, sbp_mmhg, dbp_mmhg from stage_values)
        using (study, test_id, stage_index)
    join (
        select readings.study, readings.test_id, stage_index,
            min(seconds_between(started_at, coalesce(pump_started_at, measured_at))) as first_s
        from readings
        left join times using (study, test_id, reading_id)
        where used
        group by readings.study, readings.test_id, stage_index
    ) using (study, test_id, stage_index)
    where phase = 'rest' and (load_at is null or started_at < load_at)
)
select test_opened.study, test_opened.test_id, stage_index, stage_seq, sbp_mmhg, dbp_mmhg,
    case
        when place is null then 'no_rest_reading'
        when position <> 'seated' then 'not_seated'
        when readings_n < class_readings then 'rest_single'
        when first_s < class_rest_s then 'rest_short'
        when dbp_mmhg is null then 'no_rest_diastolic'
        when age_years is null then 'no_age'
        when age_years < 18 then 'under_18'
    end as rest_class_note,
    coalesce(rest_class_note, 'none') in ('none', 'no_age') as has_class
from test_opened
cross join (select class_readings, class_rest_s from setting)
left join (select * from resting where place = 1) using (study, test_id)
