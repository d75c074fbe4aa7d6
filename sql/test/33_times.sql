-- times: one row a reading taken: how fast the cuff fell, and when the parts of the reading were.
-- inputs: readings, loads, setting.
-- rate_mmhg_per_s: measured between marked first and last sounds, else stated per second, else
-- stated per beat * HR / 60, else the default of the phase; seconds and UTC.
with heard as (
    select readings.study, readings.test_id, readings.reading_id, measured_at, measured_source, last_sound_at,
        k1_mmhg, dbp_mmhg, inflated_to_mmhg, stated_mmhg_per_s, stated_mmhg_per_beat, heart_rate_bpm, rate_hr_bpm,
        release_s, pump_mmhg_per_s,
        coalesce(k5_mmhg, heard_to_mmhg, k4_mmhg, expected_dbp_mmhg, dbp_expected_mmhg) as lowest_mmhg,
        coalesce(listen_to_mmhg,
            case when phase = 'rest' then listen_to_rest_mmhg else listen_to_other_mmhg end) as listen_to,
        case when phase = 'rest' then deflation_rest_mmhg_per_s else deflation_mmhg_per_s end as default_rate,
        deflation_mmhg_per_beat as default_per_beat,
        -- a fall to a pressure that nobody read is no measurement
        measured_source = 'marked' and last_sound_at > measured_at
            and coalesce(k5_mmhg, heard_to_mmhg, k4_mmhg) is not null as both_marked
    from readings
    left join loads using (study, test_id, reading_id)
    cross join setting
    where measured_source is not null
),
fallen as (
    select *,
        case when both_marked and k1_mmhg > lowest_mmhg
            then (k1_mmhg - lowest_mmhg) / seconds_between(measured_at, last_sound_at)
        end as deflation_between_mmhg_per_s
    from heard
),
rated as (
    select *,
        deflation_between_mmhg_per_s * 60 / heart_rate_bpm as measured_mmhg_per_beat,
        coalesce(
            deflation_between_mmhg_per_s,
            stated_mmhg_per_s,
            stated_mmhg_per_beat * rate_hr_bpm / 60,
            default_rate
        ) as rate_mmhg_per_s,
        case
            when deflation_between_mmhg_per_s is not null then 'measured'
            when stated_mmhg_per_s is not null then 'stated_per_second'
            when stated_mmhg_per_beat * rate_hr_bpm is not null then 'stated_per_beat'
            else 'default'
        end as rate_source
    from fallen
),
timed as (
    select *,
        coalesce(stated_mmhg_per_s, default_rate) as deflation_mmhg_per_s,
        case when stated_mmhg_per_s is null then 'default' else 'stated' end as deflation_per_s_source,
        coalesce(measured_mmhg_per_beat, stated_mmhg_per_beat, default_per_beat) as deflation_mmhg_per_beat,
        case when measured_mmhg_per_beat is not null then 'measured'
            when stated_mmhg_per_beat is not null then 'stated' else 'default'
        end as deflation_per_beat_source,
        -- greatest() passes over a null, so each part asks for the pressure that it needs
        coalesce(last_sound_at, case when k1_mmhg is not null
            then plus_s(measured_at, greatest(k1_mmhg - lowest_mmhg, 0) / rate_mmhg_per_s) end) as last_sound,
        case when k1_mmhg is not null and dbp_mmhg is not null
            then plus_s(measured_at, greatest(k1_mmhg - dbp_mmhg, 0) / rate_mmhg_per_s) end as dbp_at,
        case when k1_mmhg is not null then plus_s(measured_at,
            greatest(k1_mmhg - least(listen_to, lowest_mmhg), 0) / rate_mmhg_per_s + release_s)
        end as released_at,
        case when k1_mmhg is not null then plus_s(measured_at,
            -inflated_to_mmhg / pump_mmhg_per_s
            - greatest(inflated_to_mmhg - k1_mmhg, 0) / rate_mmhg_per_s) end as pump_started_at
    from rated
)
select timed.study, timed.test_id, reading_id, lowest_mmhg, listen_to,
    deflation_between_mmhg_per_s, timed.deflation_mmhg_per_s, deflation_per_s_source,
    timed.deflation_mmhg_per_beat, deflation_per_beat_source, rate_mmhg_per_s, rate_source,
    last_sound as last_sound_at, case when last_sound_at is not null then 'marked' else 'computed' end
        as last_sound_source,
    dbp_at, coalesce(released_at, measured_at) as released_at, pump_started_at
from timed
