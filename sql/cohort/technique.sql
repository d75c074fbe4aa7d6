-- technique: how readings were taken and when, by study, observer and month.
-- reads: summary, readings.
-- column observer: Code of the person who listened; of a missed reading without one, of the test; none: not recorded.
-- column month: Month of the readings, UTC.
-- column readings_n, 1: Readings taken and not void, those of second observers too.
-- column used_percent, %: Share of them that counts across readings.
-- column missed_n, 1: Readings missed.
-- column window_n, 1: Readings taken of which it is known whether they came in their window.
-- column in_window_percent, %: Share of window_n in the window of the prompt.
-- column systolic_n, 1: Systolics taken as read, no lower bounds.
-- column zero_percent, %: Share of systolic_n that ends in zero; 20 % are expected where only even digits are read.
-- column zero_low_percent, %: Lower end of the 95 % interval of that share (Wilson).
-- column zero_high_percent, %: Upper end of that interval.
-- column odd_percent, %: Share of systolic_n that ends in an odd digit; a dial of 2 mmHg has none.
-- column k4_percent, %: Share of 4th-phase ones among the diastolics.
-- column doubtful_percent, %: Share of readings noted as doubtful.
-- column rate_n, 1: Readings whose rate of deflation was stated or measured.
-- column rate_mmhg_per_s, mmHg/s: Mean rate at which the cuff fell in these.
-- column unsupported_n, 1: Readings with nothing that held the arm, as noted.
-- column entered_after_s, s: Half of the entries came later than this after the first sound; null in joined tests.
--
-- One row a study, observer and month.
with taken as (
    select readings.*, coalesce(readings.observer, tests.observer, 'none') as who,
        strftime(measured_at, '%Y-%m') as month, mode,
        case when status = 'taken' and sbp_mmhg is not null and not coalesce(k1_at_least, false)
            then cast(round(sbp_mmhg) as bigint) % 10 end as digit
    from readings
    join (select study, test_id, observer, mode from summary) as tests
        on tests.study = readings.study and tests.test_id = readings.test_id
    where status in ('taken', 'missed')
),
counted as (
    select study, who as observer, month, count(*) filter (where status = 'taken') as readings_n,
        count(*) filter (where status = 'taken' and used) as used_n,
        count(*) filter (where status = 'missed') as missed_n,
        count(*) filter (where status = 'taken' and in_window is not null) as window_n,
        count(*) filter (where status = 'taken' and in_window) as in_window_n,
        count(digit) as systolic_n, count(*) filter (where digit = 0) as zero_n,
        count(*) filter (where digit % 2 = 1) as odd_n,
        count(*) filter (where status = 'taken' and dbp_phase is not null) as diastolic_n,
        count(*) filter (where status = 'taken' and dbp_phase = 'K4') as k4_n,
        count(*) filter (where status = 'taken' and clarity = 'doubtful') as doubtful_n,
        count(*) filter (where status = 'taken' and rate_source <> 'default' and rate_mmhg_per_s is not null) as rate_n,
        avg(rate_mmhg_per_s order by test_id, measured_at, reading_id)
            filter (where status = 'taken' and rate_source <> 'default') as rate_mmhg_per_s,
        count(*) filter (where status = 'taken' and arm_support = 'none') as unsupported_n,
        median(entered_s - elapsed_s) filter (where status = 'taken' and mode = 'live') as entered_after_s
    from taken
    group by study, who, month
)
select study, observer, month, readings_n, 100.0 * used_n / nullif(readings_n, 0) as used_percent, missed_n, window_n,
    100.0 * in_window_n / nullif(window_n, 0) as in_window_percent, systolic_n,
    100.0 * zero_n / nullif(systolic_n, 0) as zero_percent,
    100 * (zero_n + 1.9208 - 1.96 * sqrt(zero_n * (systolic_n - zero_n) / nullif(systolic_n, 0)::double + 0.9604))
        / (systolic_n + 3.8416) as zero_low_percent,
    100 * (zero_n + 1.9208 + 1.96 * sqrt(zero_n * (systolic_n - zero_n) / nullif(systolic_n, 0)::double + 0.9604))
        / (systolic_n + 3.8416) as zero_high_percent,
    100.0 * odd_n / nullif(systolic_n, 0) as odd_percent, 100.0 * k4_n / nullif(diastolic_n, 0) as k4_percent,
    100.0 * doubtful_n / nullif(readings_n, 0) as doubtful_percent, rate_n, rate_mmhg_per_s, unsupported_n,
    entered_after_s
from counted
order by study, observer, month
