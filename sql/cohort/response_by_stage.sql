-- response_by_stage: how systolic, diastolic and heart rate go with the stages of a study, by sex.
-- reads: summary, readings, stages; t_quantiles.
-- column sex: female, male or unknown; all: everybody.
-- column people_n, 1: People with a used reading in the stage; the mean of their tests counts once.
-- column tests_n, 1: Tests with a used reading in the stage.
-- column watts_mean, W: Mean load at the readings.
-- column sbp_mean_mmhg, mmHg: Mean systolic over people.
-- column sbp_sd_mmhg, mmHg: Standard deviation of systolic between people (n - 1).
-- column sbp_low_mmhg, mmHg: Lower end of the 95 % interval of the mean, by Student t.
-- column sbp_high_mmhg, mmHg: Upper end of that interval.
-- column dbp_n, 1: People with a diastolic (4th or 5th phase) there.
-- column dbp_mean_mmhg, mmHg: Mean diastolic over these people.
-- column dbp_sd_mmhg, mmHg: Standard deviation of diastolic between them (n - 1).
-- column heart_rate_n, 1: People with a heart rate there.
-- column heart_rate_mean_bpm, bpm: Mean heart rate over these people.
-- column heart_rate_sd_bpm, bpm: Standard deviation of heart rate between them (n - 1).
--
-- One row a study, phase, planned load, name of the stage and sex.  Of each stage of a test its last used reading
-- counts.  People who stopped are not in later stages: compare people_n before comparing means.
with last_ones as (
    select readings.study, readings.test_id, readings.phase, readings.stage_index, stage_label, target_watts, watts, sbp_mmhg,
        case when not coalesce(dbp_next_load, false) then dbp_mmhg end as dbp_mmhg, heart_rate_bpm
    from readings
    join (select study, test_id, stage_index, target_watts from stages) as planned
        on planned.study = readings.study and planned.test_id = readings.test_id
        and planned.stage_index = readings.stage_index
    where used
    qualify row_number() over (
        partition by readings.study, readings.test_id, readings.stage_index order by measured_at desc, reading_id desc
    ) = 1
),
-- a number to add up by: text takes ten times as long
numbered as (
    select last_ones.*, participant, coalesce(sex, 'unknown') as sex,
        row_number() over (order by study, test_id, stage_index) as place
    from last_ones
    join (select study, test_id, participant, sex from summary) using (study, test_id)
),
people as (
    select study, phase, target_watts, stage_label, sex, participant, count(distinct test_id) as tests_n,
        min(place) as place, avg(watts order by place) as watts, avg(sbp_mmhg order by place) as sbp_mmhg,
        avg(dbp_mmhg order by place) as dbp_mmhg, avg(heart_rate_bpm order by place) as heart_rate_bpm
    from numbered
    group by study, phase, target_watts, stage_label, sex, participant
),
each_sex as (
    select * from people
    union all
    select * replace ('all' as sex) from people
),
grouped as (
    select study, phase, target_watts, stage_label, sex, count(*) as people_n, sum(tests_n)::bigint as tests_n,
        avg(watts order by place) as watts_mean, avg(sbp_mmhg order by place) as sbp_mean_mmhg,
        stddev_samp(sbp_mmhg order by place) as sbp_sd_mmhg, count(dbp_mmhg) as dbp_n,
        avg(dbp_mmhg order by place) as dbp_mean_mmhg, stddev_samp(dbp_mmhg order by place) as dbp_sd_mmhg,
        count(heart_rate_bpm) as heart_rate_n, avg(heart_rate_bpm order by place) as heart_rate_mean_bpm,
        stddev_samp(heart_rate_bpm order by place) as heart_rate_sd_bpm
    from each_sex
    group by study, phase, target_watts, stage_label, sex
)
select study, phase, target_watts, stage_label, sex, people_n, tests_n, watts_mean, sbp_mean_mmhg, sbp_sd_mmhg,
    sbp_mean_mmhg - t_975 * sbp_sd_mmhg / sqrt(people_n) as sbp_low_mmhg,
    sbp_mean_mmhg + t_975 * sbp_sd_mmhg / sqrt(people_n) as sbp_high_mmhg,
    dbp_n, dbp_mean_mmhg, dbp_sd_mmhg, heart_rate_n, heart_rate_mean_bpm, heart_rate_sd_bpm
from grouped
left join t_quantiles on df = least(people_n - 1, 30)
order by study, list_position(['rest', 'warmup', 'exercise', 'recovery'], phase), target_watts, stage_label, sex
