-- uncertainty: one row a reading with a k1: standard uncertainties, mmHg, after JCGM 100.
-- inputs: measures, derived, rest_values, stage_values, test_opened, setting.
-- u_read: what a cuff that falls d mmHg from beat to beat and a dial of graduation g allow; at k1
-- d is the fall per second * 60 / HR, at k4 and k5 the fall per beat.  u_repeat: one reading
-- against another under unchanged conditions.  u_gauge is common to a test and cancels in
-- differences; an error of scale does not, so `gauge_scale_share` of each change is added.
-- Of a mean of n readings u is sqrt(sum of u squared) / n.  resolution_offset: d / 2, published and not applied.
with stated as (
    select measures.study, measures.test_id, measures.reading_id, measured_at, stage_index, phase, used, dbp_next_load,
        earlier_stage_index, sbp_mmhg, dbp_mmhg, dbp_phase, k1_at_least, pulse_pressure_mmhg, map_mmhg, map_factor,
        heart_rate_bpm, heart_rate_sd_bpm, rate_pressure_product, sbp_change_rest_mmhg, dbp_change_rest_mmhg,
        sbp_change_stage_mmhg, dbp_change_stage_mmhg, map_change_stage_mmhg, pulse_pressure_change_stage_mmhg,
        gauge_scale_share, gauge_limit_mmhg / sqrt(3) as u_gauge_mmhg,
        coalesce(gauge_step_mmhg, gauge_step_default_mmhg) as step_mmhg,
        case when not k1_at_least then deflation_mmhg_per_s * 60 / heart_rate_bpm end as fall_sbp_mmhg,
        case when dbp_mmhg is not null then deflation_mmhg_per_beat end as fall_dbp_mmhg,
        case when phase = 'rest' then u_repeat_rest_mmhg else u_repeat_exercise_mmhg end
            * case when clarity = 'clear' then 1 else u_repeat_difficult_factor end as u_repeat_mmhg
    from measures
    join (select study, test_id, reading_id, map_factor from derived) using (study, test_id, reading_id)
    join (select study, test_id, gauge_step_mmhg from test_opened) using (study, test_id)
    cross join (
        select gauge_scale_share, gauge_limit_mmhg, gauge_step_default_mmhg, u_repeat_rest_mmhg,
            u_repeat_exercise_mmhg, u_repeat_difficult_factor
        from setting
    )
    where sbp_mmhg is not null
),
own as (
    -- greatest() passes over a null: without a heart rate u_sbp is u_repeat
    select *,
        sqrt((fall_sbp_mmhg * fall_sbp_mmhg + step_mmhg * step_mmhg) / 12) as u_read_sbp_mmhg,
        sqrt((fall_dbp_mmhg * fall_dbp_mmhg + step_mmhg * step_mmhg) / 12) as u_read_dbp_mmhg,
        case when not k1_at_least then greatest(u_repeat_mmhg, u_read_sbp_mmhg) end as u_sbp_mmhg,
        case when dbp_mmhg is not null then greatest(u_repeat_mmhg, u_read_dbp_mmhg) end as u_dbp_mmhg,
        case when pulse_pressure_mmhg is not null then sqrt(u_sbp_mmhg * u_sbp_mmhg + u_dbp_mmhg * u_dbp_mmhg) end
            as u_pulse_pressure_mmhg,
        case when map_mmhg is not null then sqrt(
            map_factor * u_sbp_mmhg * map_factor * u_sbp_mmhg
            + (1 - map_factor) * u_dbp_mmhg * (1 - map_factor) * u_dbp_mmhg
        ) end as u_map_mmhg
    from stated
),
stage_u as (
    select study, test_id, stage_index,
        sqrt(sum(u_sbp_mmhg * u_sbp_mmhg order by measured_at, reading_id)) / count(u_sbp_mmhg) as u_sbp_mmhg,
        sqrt(sum(u_dbp_mmhg * u_dbp_mmhg order by measured_at, reading_id) filter (where not dbp_next_load))
            / nullif(count(u_dbp_mmhg) filter (where not dbp_next_load), 0) as u_dbp_mmhg,
        sqrt(sum(u_map_mmhg * u_map_mmhg order by measured_at, reading_id) filter (where not dbp_next_load))
            / nullif(count(u_map_mmhg) filter (where not dbp_next_load), 0) as u_map_mmhg,
        sqrt(sum(u_pulse_pressure_mmhg * u_pulse_pressure_mmhg order by measured_at, reading_id)
                filter (where not dbp_next_load))
            / nullif(count(u_pulse_pressure_mmhg) filter (where not dbp_next_load), 0) as u_pulse_pressure_mmhg
    from own
    join (select study, test_id, stage_index, last_reading_id from stage_values)
        using (study, test_id, stage_index)
    where used and (phase = 'rest' or reading_id = last_reading_id)
    group by study, test_id, stage_index
)
select own.study, own.test_id, own.reading_id, u_read_sbp_mmhg, u_read_dbp_mmhg, u_repeat_mmhg, u_gauge_mmhg,
    own.u_sbp_mmhg, own.u_dbp_mmhg,
    case when phase = 'rest' then fall_sbp_mmhg / 2 end as resolution_offset_sbp_mmhg,
    case when phase = 'rest' and dbp_phase = 'K5' then fall_dbp_mmhg / 2 end as resolution_offset_dbp_mmhg,
    own.u_pulse_pressure_mmhg, own.u_map_mmhg,
    case when rate_pressure_product is not null then sqrt(
        own.u_sbp_mmhg * heart_rate_bpm * own.u_sbp_mmhg * heart_rate_bpm
        + heart_rate_sd_bpm * sbp_mmhg * heart_rate_sd_bpm * sbp_mmhg
    ) end as u_rate_pressure_product,
    u_of_change(own.u_sbp_mmhg, rest.u_sbp_mmhg, sbp_change_rest_mmhg, gauge_scale_share)
        as u_sbp_change_rest_mmhg,
    u_of_change(own.u_dbp_mmhg, rest.u_dbp_mmhg, dbp_change_rest_mmhg, gauge_scale_share)
        as u_dbp_change_rest_mmhg,
    u_of_change(own.u_sbp_mmhg, earlier.u_sbp_mmhg, sbp_change_stage_mmhg, gauge_scale_share)
        as u_sbp_change_stage_mmhg,
    u_of_change(own.u_dbp_mmhg, earlier.u_dbp_mmhg, dbp_change_stage_mmhg, gauge_scale_share)
        as u_dbp_change_stage_mmhg,
    u_of_change(own.u_map_mmhg, earlier.u_map_mmhg, map_change_stage_mmhg, gauge_scale_share)
        as u_map_change_stage_mmhg,
    u_of_change(own.u_pulse_pressure_mmhg, earlier.u_pulse_pressure_mmhg, pulse_pressure_change_stage_mmhg,
        gauge_scale_share) as u_pulse_pressure_change_stage_mmhg
from own
left join (select study, test_id, rest_stage_index from rest_values) as rest_values using (study, test_id)
left join stage_u as rest on rest.study = own.study and rest.test_id = own.test_id
    and rest.stage_index = rest_stage_index
left join stage_u as earlier on earlier.study = own.study and earlier.test_id = own.test_id
    and earlier.stage_index = earlier_stage_index
