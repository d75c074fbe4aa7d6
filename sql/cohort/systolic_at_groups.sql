-- systolic_at_groups: systolic pressure at a load and at a share of the heart-rate reserve by sex, and how many tests
-- have none and why.
-- reads: summary, readings, stages; sbp_brackets, sbp_at_loads, t_quantiles.
-- parameter sbp_at_watts = 100 W: the load.
-- parameter sbp_at_percent_reserve = 60 %: the share of the heart-rate reserve.
-- parameter sbp_bracket_watts = 60 W: how far apart two readings may be for a line between them.
-- example: sbp_at_watts=150 sbp_at_percent_reserve=70
-- column quantity: What is held the same: watts, or percent_reserve.
-- column held_at, W or %: The load or share that was asked for.
-- column sex: female, male or unknown; all: everybody.
-- column tests_n, 1: Tests that were asked.
-- column value_n, 1: Tests with a systolic there.
-- column stopped_before_n, 1: Tests without, whose stages all end below it.
-- column missed_n, 1: Tests without, whose stage there has no used reading.
-- column not_bracketed_n, 1: Tests without, because there is no such stage, or readings are too far apart.
-- column other_n, 1: Tests without for another reason, like no load or heart rate (sbp_at_..._note of systolic_at).
-- column people_n, 1: People with a value; the mean of their tests counts once.
-- column mean_mmhg, mmHg: Mean over people.
-- column sd_mmhg, mmHg: Standard deviation between people (n - 1).
-- column mean_low_mmhg, mmHg: Lower end of the 95 % interval of the mean, by Student t.
-- column mean_high_mmhg, mmHg: Upper end of that interval.
-- column u_one_mmhg, mmHg: Standard uncertainty of the value of one test (root mean square), part of sd_mmhg.
--
-- Who stopped before is not in the mean: at high loads it is a mean of the fit.
with placed as (
    select study, test_id, participant, sex, unnest([
            {quantity: 'watts', held_at: sbp_at_watts, mmhg: sbp_at_watts_mmhg, u_mmhg: u_sbp_at_watts_mmhg,
                note: sbp_at_watts_note},
            {quantity: 'percent_reserve', held_at: sbp_at_percent_reserve, mmhg: sbp_at_percent_reserve_mmhg,
                u_mmhg: u_sbp_at_percent_reserve_mmhg, note: sbp_at_percent_reserve_note}
        ]) as one
    from (select study, test_id, participant, coalesce(sex, 'unknown') as sex from summary)
    join sbp_at_loads using (study, test_id)
),
by_group as (
    select one.quantity as quantity, one.held_at as held_at, study, test_id, participant, one.mmhg as mmhg,
        one.u_mmhg as u_mmhg, one.note as note, unnest([sex, 'all']) as sex
    from placed
),
counted as (
    select quantity, held_at, sex, count(*) as tests_n, count(mmhg) as value_n,
        count(*) filter (where note = 'stopped_before') as stopped_before_n,
        count(*) filter (where note = 'missed') as missed_n,
        count(*) filter (where note = 'not_bracketed') as not_bracketed_n,
        count(*) filter (where note not in ('stopped_before', 'missed', 'not_bracketed')) as other_n,
        sqrt(avg(u_mmhg * u_mmhg order by study, test_id)) as u_one_mmhg
    from by_group
    group by quantity, held_at, sex
),
people as (
    select quantity, sex, study, participant, avg(mmhg order by test_id) as mmhg
    from by_group
    where mmhg is not null
    group by quantity, sex, study, participant
),
over_people as (
    select quantity, sex, count(*) as people_n, avg(mmhg order by study, participant) as mean_mmhg,
        stddev_samp(mmhg order by study, participant) as sd_mmhg
    from people
    group by quantity, sex
)
select quantity, held_at, sex, tests_n, value_n, stopped_before_n, missed_n, not_bracketed_n, other_n,
    coalesce(people_n, 0) as people_n, mean_mmhg, sd_mmhg,
    mean_mmhg - t_975 * sd_mmhg / sqrt(people_n) as mean_low_mmhg,
    mean_mmhg + t_975 * sd_mmhg / sqrt(people_n) as mean_high_mmhg, u_one_mmhg
from counted
left join over_people using (quantity, sex)
left join t_quantiles on df = least(people_n - 1, 30)
order by quantity desc, sex
