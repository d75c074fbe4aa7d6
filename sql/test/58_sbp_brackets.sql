-- sbp_brackets: one row two neighbouring exercise readings of a test between which systolic pressure
-- may be had at a load, or at a share of the heart-rate reserve.
-- inputs: measures, uncertainty, setting.
-- W, % of reserve, mmHg.  The last used reading of each exercise stage, of loads that rise, at most
-- `sbp_bracket_watts` apart.  It asks of measures and uncertainty only what readings.parquet has, so it
-- can be had of a whole archive too; between_mmhg(low, high, ...) is the line, never beyond its ends.
with points as (
    select study, test_id, reading_id, measured_at, watts, hr_percent_reserve, sbp_mmhg, u_sbp_mmhg
    from (
        select study, test_id, reading_id, measured_at, watts, hr_percent_reserve, sbp_mmhg
        from measures
        where used and phase = 'exercise'
        qualify row_number() over (
            partition by study, test_id, stage_index order by measured_at desc, reading_id desc
        ) = 1
    )
    join (select study, test_id, reading_id, u_sbp_mmhg from uncertainty) using (study, test_id, reading_id)
),
rising as (
    select points.*, sbp_bracket_watts
    from points
    cross join (select load_noise_watts, sbp_bracket_watts from setting)
    where watts is not null
    qualify watts > coalesce(max(watts) over (
        partition by study, test_id order by measured_at, reading_id rows between unbounded preceding and 1 preceding
    ) + load_noise_watts, -1e9)
),
placed as (
    select study, test_id, reading_id, measured_at, watts, sbp_mmhg, u_sbp_mmhg, sbp_bracket_watts,
        unnest([{quantity: 'watts', place: watts}, {quantity: 'percent_reserve', place: hr_percent_reserve}]) as one
    from rising
),
paired as (
    select study, test_id, one.quantity as quantity, reading_id as low_reading_id, one.place as low,
        sbp_mmhg as low_mmhg, u_sbp_mmhg as u_low_mmhg, watts as low_watts, sbp_bracket_watts,
        lead({reading_id: reading_id, place: one.place, watts: watts, sbp_mmhg: sbp_mmhg, u_sbp_mmhg: u_sbp_mmhg}) over (
            partition by study, test_id, one.quantity order by measured_at, reading_id
        ) as next
    from placed
    where one.place is not null
)
select study, test_id, quantity, low_reading_id, next.reading_id as high_reading_id, low, next.place as high,
    low_mmhg, next.sbp_mmhg as high_mmhg, u_low_mmhg, next.u_sbp_mmhg as u_high_mmhg
from paired
where next.place > low and next.watts - low_watts <= sbp_bracket_watts
