-- stage_values: one row a stage with a used reading: the pressure that stands for the stage.
-- inputs: readings, loads, derived, dbp_loads.
-- Rest: the mean of all used readings; exercise and recovery: the last used one.  A diastolic
-- heard in the next load stays out; a mean of both diastolic phases is null.
with used as (
    select readings.study, readings.test_id, readings.reading_id, stage_index, phase, measured_at, k1_mmhg,
        case when not coalesce(dbp_next_load, false) then dbp_mmhg end as dbp_mmhg,
        case when not coalesce(dbp_next_load, false) then dbp_phase end as dbp_phase,
        case when not coalesce(dbp_next_load, false) then map_mmhg end as map_mmhg,
        case when not coalesce(dbp_next_load, false) then pulse_pressure_mmhg end as pulse_pressure_mmhg,
        loads.heart_rate_bpm, loads.watts
    from (
        select study, test_id, reading_id, stage_index, phase, measured_at, k1_mmhg, dbp_mmhg, dbp_phase, used
        from readings
    ) as readings
    left join (select study, test_id, reading_id, heart_rate_bpm, watts from loads) as loads
        using (study, test_id, reading_id)
    left join (select study, test_id, reading_id, map_mmhg, pulse_pressure_mmhg from derived)
        using (study, test_id, reading_id)
    left join (select study, test_id, reading_id, dbp_next_load from dbp_loads) using (study, test_id, reading_id)
    where used and stage_index is not null
    qualify phase = 'rest'
        or row_number() over (
            partition by readings.study, readings.test_id, stage_index order by measured_at desc, reading_id desc
        ) = 1
)
select study, test_id, stage_index, phase, count(*) as readings_n,
    max(reading_id) as last_reading_id,
    avg(k1_mmhg order by measured_at, reading_id) as sbp_mmhg,
    case when count(distinct dbp_phase) = 1 then avg(dbp_mmhg order by measured_at, reading_id) end as dbp_mmhg,
    case when count(distinct dbp_phase) = 1 then max(dbp_phase)
        when count(distinct dbp_phase) > 1 then 'differs' end as dbp_phase,
    case when count(distinct dbp_phase) = 1 then avg(map_mmhg order by measured_at, reading_id) end as map_mmhg,
    case when count(distinct dbp_phase) = 1
        then avg(pulse_pressure_mmhg order by measured_at, reading_id) end as pulse_pressure_mmhg,
    avg(heart_rate_bpm order by measured_at, reading_id) as heart_rate_bpm,
    avg(watts order by measured_at, reading_id) as watts
from used
group by study, test_id, stage_index, phase
